#pragma once
// How the program ends when something is wrong: one line on stderr, and an exit code that says whose fault it
// was.
#include <stdexcept>
#include <string>

namespace kitfold::offline {

enum class Exit : int {
    done = 0,
    found = 1,     ///< `check` found something to fix
    bad_input = 2, ///< usage, session or audio that is not right
    io_failed = 3  ///< the disk said no
};

/// What went wrong, in one line that names the file, the field and what would be right.
class Error : public std::runtime_error {
public:
    Error(Exit code, const std::string& line) : std::runtime_error(line), code_(code) {}
    [[nodiscard]] Exit code() const noexcept { return code_; }

private:
    Exit code_;
};

inline Error bad_input(const std::string& line) { return {Exit::bad_input, line}; }
inline Error io_failed(const std::string& line) { return {Exit::io_failed, line}; }

/// What a person is told of it: one line, fit for a terminal. Of what libraries throw, in words of ours.
std::string line_for(const std::exception& error);

/// Prints that line on stderr and returns the exit code that goes with it.
int report(const std::exception& error) noexcept;

} // namespace kitfold::offline
