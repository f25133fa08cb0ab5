#include "offline/run_program.h"
#include <cerrno>
#include <csignal>
#include <fcntl.h>
#include <poll.h>
#include <spawn.h>
#include <stdexcept>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

extern char** environ;

namespace kitfold::test {
namespace {

std::vector<char*> pointers(std::vector<std::string>& texts) {
    std::vector<char*> out;
    for (auto& text : texts) out.push_back(text.data());
    out.push_back(nullptr);
    return out;
}

std::vector<std::string> environment_with(const std::vector<std::string>& more) {
    auto out = more; // the first of two settings counts
    for (char** entry = environ; *entry != nullptr; ++entry) out.emplace_back(*entry);
    return out;
}

void read_both(int out_fd, int err_fd, ProgramRun& run) {
    pollfd fds[] = {{out_fd, POLLIN, 0}, {err_fd, POLLIN, 0}};
    std::string* texts[] = {&run.out, &run.err};
    for (int open = 2; open > 0;) {
        if (::poll(fds, 2, -1) < 0 && errno != EINTR) break;
        for (int i = 0; i < 2; ++i) {
            if (fds[i].fd < 0 || fds[i].revents == 0) continue;
            char part[4096];
            const auto got = ::read(fds[i].fd, part, sizeof part);
            if (got > 0)
                texts[i]->append(part, static_cast<std::size_t>(got));
            else
                fds[i].fd = -1, --open;
        }
    }
}

} // namespace

RunningProgram::RunningProgram(const std::vector<std::string>& arguments,
                               const std::vector<std::string>& environment, const std::string& input,
                               const std::string& shell) {
    int out[2], err[2];
    if (::pipe2(out, O_CLOEXEC) != 0 || ::pipe2(err, O_CLOEXEC) != 0) throw std::runtime_error("no pipe");
    std::vector<std::string> texts = {KITFOLD_PROGRAM};
    texts.insert(texts.end(), arguments.begin(), arguments.end());
    if (!shell.empty()) texts.insert(texts.begin(), {"/bin/sh", "-c", shell});
    auto variables = environment_with(environment);

    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_addopen(&actions, 0, input.c_str(), O_RDONLY, 0);
    posix_spawn_file_actions_adddup2(&actions, out[1], 1);
    posix_spawn_file_actions_adddup2(&actions, err[1], 2);
    posix_spawnattr_t
        attributes; // a shell in the background ignores SIGINT; the program must not inherit that
    posix_spawnattr_init(&attributes);
    sigset_t defaults;
    sigemptyset(&defaults);
    for (const int number : {SIGINT, SIGTERM, SIGHUP, SIGPIPE}) sigaddset(&defaults, number);
    posix_spawnattr_setsigdefault(&attributes, &defaults);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGDEF);
    const int failed = ::posix_spawn(&pid_, texts.front().c_str(), &actions, &attributes,
                                     pointers(texts).data(), pointers(variables).data());
    posix_spawn_file_actions_destroy(&actions);
    posix_spawnattr_destroy(&attributes);
    ::close(out[1]), ::close(err[1]);
    out_ = out[0], err_ = err[0];
    if (failed != 0) throw std::runtime_error("can't run " KITFOLD_PROGRAM);
}

RunningProgram::~RunningProgram() {
    if (pid_ > 0) {
        ::kill(pid_, SIGKILL);
        wait();
    }
    ::close(out_), ::close(err_);
}

void RunningProgram::send(int signal) const { ::kill(pid_, signal); }

bool RunningProgram::ended() const {
    siginfo_t info{};
    return ::waitid(P_PID, static_cast<id_t>(pid_), &info, WEXITED | WNOHANG | WNOWAIT) != 0 ||
           info.si_pid != 0;
}

bool RunningProgram::has_said(const std::string& text) {
    for (std::size_t from = said_.size(); said_.find(text) == std::string::npos; from = said_.size()) {
        said_.resize(from + 4096);
        const auto got = ::read(out_, said_.data() + from, 4096);
        said_.resize(from + static_cast<std::size_t>(std::max<ssize_t>(got, 0)));
        if (got == 0 || (got < 0 && errno != EINTR)) return false;
    }
    return true;
}

ProgramRun RunningProgram::wait() {
    ProgramRun run;
    run.out = said_;
    read_both(out_, err_, run);
    int status = 0;
    rusage usage{};
    while (::wait4(pid_, &status, 0, &usage) < 0 && errno == EINTR) {
    }
    run.peak_kib = usage.ru_maxrss;
    pid_ = -1;
    run.exit_code = WIFSIGNALED(status) ? 128 + WTERMSIG(status) : WEXITSTATUS(status);
    return run;
}

} // namespace kitfold::test
