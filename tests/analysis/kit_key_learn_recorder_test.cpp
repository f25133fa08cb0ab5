#include "bleed/kit_key_learn_recorder.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <thread>

using namespace kitfold::dsp;

TEST_CASE("a take is recorded from block to block, and stops when it is full", "[analysis]") {
    TakeRecorder recorder;
    CHECK_FALSE(recorder.prepare(48'000.0, 33, 2.0));
    CHECK_FALSE(recorder.prepare(48'000.0, 2, 0.5));
    REQUIRE(recorder.prepare(48'000.0, 2, 1.0));
    std::vector<float> a(100'000), b(100'000);
    for (std::size_t n = 0; n < a.size(); ++n) a[n] = static_cast<float>(n), b[n] = -a[n];
    std::size_t at = 0;
    const auto play = [&](std::size_t frames) {
        const float* mics[] = {a.data() + at, b.data() + at};
        recorder.record(mics, frames), at += frames;
    };
    {
        const RealTimeGuard guard;
        play(1'000);
        recorder.start();
        for (int i = 0; i < 70; ++i) play(1'000); // a second is 48'000
        CHECK(guard.calls() == 0);
    }
    REQUIRE_FALSE(recorder.recording());
    CHECK(recorder.seconds() == 1.0);
    const auto take = recorder.take({{"A", Role::kick_in}, {"B", Role::snare_top}});
    CHECK(take.length == 48'000);
    std::vector<float> read(3);
    take.read(1, 47'998, read);
    CHECK(read == std::vector<float>{-48'998.0f, -48'999.0f, 0.0f});
}

TEST_CASE("a recording ends with the block after stop()", "[analysis]") {
    TakeRecorder recorder;
    REQUIRE(recorder.prepare(8'000.0, 1, 60.0));
    std::vector<float> block(64, 1.0f);
    const float* mics[] = {block.data()};
    recorder.start();
    std::atomic<bool> playing{true};
    std::thread audio([&] {
        while (playing) recorder.record(mics, block.size());
    });
    while (recorder.seconds() < 0.1) std::this_thread::yield();
    recorder.stop();
    while (recorder.recording()) std::this_thread::yield();
    const double seconds = recorder.seconds();
    CHECK_FALSE(seconds < 0.1);
    const auto take = recorder.take({{"A", Role::kick_in}});
    playing = false, audio.join();
    CHECK(static_cast<double>(take.length) == seconds * 8'000.0);
}
