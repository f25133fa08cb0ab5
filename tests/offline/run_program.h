#pragma once
// Runs the real program, as a person would.
#include <algorithm>
#include <string>
#include <sys/types.h>
#include <vector>

namespace kitfold::test {

struct ProgramRun {
    int exit_code = -1; ///< 128 + the signal's number when a signal ended it
    std::string out, err;
    long peak_kib = 0; ///< most memory that was resident
    [[nodiscard]] long err_lines() const { return std::count(err.begin(), err.end(), '\n'); }
};

/// A run that goes on beside the test.
class RunningProgram {
public:
    /// @param arguments after the program's name  @param environment "NAME=value" on top of our own
    /// @param input what it reads on stdin
    /// @param shell words that a shell runs, where the program and its arguments are "$0" "$@"; empty: none
    explicit RunningProgram(const std::vector<std::string>& arguments,
                            const std::vector<std::string>& environment = {},
                            const std::string& input = "/dev/null", const std::string& shell = {});
    ~RunningProgram(); ///< kills it when nobody waited for it
    RunningProgram(const RunningProgram&) = delete;
    RunningProgram& operator=(const RunningProgram&) = delete;

    void send(int signal) const;
    [[nodiscard]] bool ended() const;
    /// Reads what it prints on stdout until the text has come. False when it ended without; wait() gives out
    /// all of it again.
    bool has_said(const std::string& text);
    ProgramRun wait(); ///< until it has ended; once

private:
    pid_t pid_ = -1;
    int out_ = -1, err_ = -1;
    std::string said_; ///< read by has_said()
};

inline ProgramRun run_program(const std::vector<std::string>& arguments,
                              const std::vector<std::string>& environment = {}) {
    return RunningProgram(arguments, environment).wait();
}

/// The program behind words of a shell, such as a limit or a closed stream: "ulimit -t 60; exec \"$0\"
/// \"$@\"".
inline ProgramRun run_in_shell(const std::string& shell, const std::vector<std::string>& arguments,
                               const std::vector<std::string>& environment = {}) {
    return RunningProgram(arguments, environment, "/dev/null", shell).wait();
}

} // namespace kitfold::test
