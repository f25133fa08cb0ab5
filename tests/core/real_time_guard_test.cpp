#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <memory>
#include <mutex>

TEST_CASE("the real-time guard sees an allocation and a lock", "[core]") {
    if (!RealTimeGuard::counts()) return;
    int nothing = 0, heap = 0, lock = 0;
    std::mutex mutex;
    {
        const RealTimeGuard guard;
        nothing = guard.calls();
        const auto held = std::make_unique<volatile double>(1.0);
        heap = guard.calls();
        mutex.lock();
        lock = guard.calls();
        mutex.unlock();
    }
    CHECK(nothing == 0);
    CHECK(heap == 1);
    CHECK(lock == 2);
}
