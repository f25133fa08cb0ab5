#pragma once
#include <chrono>
#include <functional>
#include <string>

namespace kitfold::offline {

/// "bounce  42 %" on stderr, only when that is a terminal; gone again when it ends. One thread at a time.
class Progress {
public:
    explicit Progress(std::string what);
    ~Progress();
    Progress(const Progress&) = delete;
    Progress& operator=(const Progress&) = delete;

    void show(double share); ///< 0..1

private:
    std::string what_;
    bool terminal_;
    bool shown_ = false;
    std::chrono::steady_clock::time_point last_{};
};

/// For a piece of the work: its own share, 0..1, is told as from..to of the whole. `progress` may be empty.
std::function<void(double)> part_of(const std::function<void(double)>& progress, double from, double to);

} // namespace kitfold::offline
