#pragma once
// Work on two threads, which is what the slowest machine that this is meant for has.
#include <atomic>
#include <cstddef>
#include <future>

namespace kitfold::dsp {

/// Calls work(n) for every n < count on this thread and another one, in no order. What it throws is thrown
/// when both have ended. Not for the audio path.
template <class Work> void on_two_threads(std::size_t count, const Work& work) {
    std::atomic<std::size_t> next{0};
    const auto run = [&] {
        for (std::size_t n; (n = next.fetch_add(1)) < count;) work(n);
    };
    auto half = std::async(std::launch::async, run);
    run();
    half.get();
}

} // namespace kitfold::dsp
