#pragma once
// Work that takes longer than a host's thread may be held. No JUCE here.
#include <atomic>
#include <functional>
#include <system_error>
#include <thread>

namespace kitfold::plugins {

/// One piece of work at a time, on a thread of its own. The work must not throw. One thread, or several under
/// a lock, call the functions; what the work wrote may be read once done() has been true.
class Background {
public:
    Background() = default;
    ~Background() { join(); }
    Background(const Background&) = delete;
    Background& operator=(const Background&) = delete;

    /// @pre nothing is at work
    void start(std::function<void()> work) {
        join();
        done_.store(false);
        try {
            thread_ = std::thread([this, work] { work(), done_.store(true); });
        } catch (const std::system_error&) { // no thread to be had: then here
            work(), done_.store(true);
        }
    }
    /// Has the last work been finished?
    [[nodiscard]] bool done() const noexcept { return done_.load(); }
    void join() {
        if (thread_.joinable()) thread_.join();
    }

private:
    std::thread thread_;
    std::atomic<bool> done_{true};
};

} // namespace kitfold::plugins
