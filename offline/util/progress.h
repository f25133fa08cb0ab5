#pragma once
#include <chrono>
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

} // namespace kitfold::offline
