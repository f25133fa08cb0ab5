#include "offline/util/progress.h"
#include <cmath>
#include <cstdio>
#include <unistd.h>

namespace kitfold::offline {

using namespace std::chrono_literals;

Progress::Progress(std::string what) : what_(std::move(what)), terminal_(::isatty(STDERR_FILENO) == 1) {}

Progress::~Progress() {
    if (shown_) std::fprintf(stderr, "\r\033[K"); // back to an empty line
}

void Progress::show(double share) {
    if (!terminal_) return;
    const auto now = std::chrono::steady_clock::now();
    if (shown_ && now - last_ < 100ms) return;
    last_ = now;
    shown_ = true;
    std::fprintf(stderr, "\r%s  %3.0f %%", what_.c_str(), std::floor(100.0 * share));
    std::fflush(stderr);
}

std::function<void(double)> part_of(const std::function<void(double)>& progress, double from, double to) {
    return [progress, from, to](double share) {
        if (progress) progress(from + (to - from) * share);
    };
}

} // namespace kitfold::offline
