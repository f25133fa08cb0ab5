#include "offline/live/terminal.h"
#include <csignal>
#include <cstdio>
#include <poll.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

volatile std::sig_atomic_t stop_asked = 0;
extern "C" void ask_to_stop(int) { stop_asked = 1; }

constexpr int kStopSignals[] = {SIGINT, SIGTERM, SIGHUP};
struct sigaction actions_before[std::size(kStopSignals)];

} // namespace

Terminal::Terminal(bool picture) : picture_(picture) {
    stop_asked = 0;
    struct sigaction action {};
    action.sa_handler = ask_to_stop;
    sigemptyset(&action.sa_mask);
    for (std::size_t i = 0; i < std::size(kStopSignals); ++i)
        ::sigaction(kStopSignals[i], &action, &actions_before[i]);
    if (::tcgetattr(STDIN_FILENO, &before_) == 0) {
        auto now = before_;
        now.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
        raw_ = ::tcsetattr(STDIN_FILENO, TCSANOW, &now) == 0;
    }
    if (picture_) std::fputs("\033[?25l\033[2J", stdout); // no cursor, an empty screen
}

Terminal::~Terminal() {
    if (picture_) std::fputs("\033[?25h", stdout), std::fflush(stdout);
    if (raw_) ::tcsetattr(STDIN_FILENO, TCSANOW, &before_);
    for (std::size_t i = 0; i < std::size(kStopSignals); ++i)
        ::sigaction(kStopSignals[i], &actions_before[i], nullptr);
}

bool Terminal::has_screen() noexcept { return ::isatty(STDOUT_FILENO) == 1; }
bool Terminal::asked_to_stop() noexcept { return stop_asked != 0; }

std::string Terminal::wait(int other_descriptor, std::chrono::milliseconds longest) {
    pollfd fds[] = {{keys_ ? STDIN_FILENO : -1, POLLIN, 0}, {other_descriptor, POLLIN, 0}};
    if (::poll(fds, 2, static_cast<int>(longest.count())) <= 0 || fds[0].revents == 0) return {};
    char keys[64];
    const ssize_t got = ::read(STDIN_FILENO, keys, sizeof keys);
    if (got <= 0) keys_ = false; // nobody there, as in the background
    return {keys, got > 0 ? static_cast<std::size_t>(got) : 0};
}

void Terminal::show(const std::string& text) {
    std::string out = "\033[H";
    for (const char c : text) {
        if (c == '\n') out += "\033[K"; // what was longer before
        out += c;
    }
    std::fwrite(out.data(), 1, out.size(), stdout);
    std::fflush(stdout);
}

} // namespace kitfold::offline
