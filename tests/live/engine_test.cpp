#include "live/kit.h"
#include "real_time_guard.h"

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;

namespace {

dsp::MixSettings some_settings(std::size_t mics) { return mix_settings(some_session("nowhere", mics)); }

/// One mic that goes to the left as it is.
dsp::MixSettings straight() {
    dsp::MixSettings out{std::vector<dsp::MicStrip>(1), {}, {}, 0.0, {}};
    out.strips[0].mix.pan = -1.0, out.sum.pan_law_db = dsp::PanLaw::db_0;
    return out;
}

/// Takes everything off the tape and keeps the events.
std::vector<LiveEvent> take_off(LiveEngine& engine) {
    std::vector<std::vector<float>> planes(engine.tape().planes(),
                                           std::vector<float>(engine.tape().readable()));
    std::vector<float*> rows;
    for (auto& plane : planes) rows.push_back(plane.data());
    engine.tape().read(rows.data(), engine.tape().readable());
    std::vector<LiveEvent> out;
    for (; engine.events().front(); engine.events().pop()) out.push_back(*engine.events().front());
    return out;
}

} // namespace

TEST_CASE("the callback never allocates or locks, at any block size and whatever is asked meanwhile",
          "[live]") {
    const auto block = GENERATE(std::size_t{16}, std::size_t{64}, std::size_t{1'000});
    auto settings = some_settings(16);
    LiveEngine engine(48'000.0, settings, Monitor::dry);
    Caller caller(engine);
    int calls = 0;
    for (int n = 0; n < 60; ++n) {
        if (n % 7 == 1) settings.strips[3].mix.level_db -= 1.0, engine.move_to(settings);
        if (n % 11 == 2) settings.bus.reset(), settings.strips[2].gate.reset(), engine.move_to(settings);
        if (n % 13 == 3) (void)engine.begin_take();
        if (n % 5 == 4)
            engine.mark(), engine.note_server_loss(),
                engine.note_block_frames(block + static_cast<std::size_t>(n));
        const RealTimeGuard guard;
        caller.call(block);
        calls += guard.calls();
        if (n % 8 == 0) (void)take_off(engine);
    }
    CHECK(calls == 0);
}

TEST_CASE("the outputs come in from -20 dB within a second, the tape does not", "[live]") {
    LiveEngine engine(48'000.0, straight(), Monitor::wet);
    Caller caller(engine);
    std::vector<float> heard;
    for (int n = 0; n < 800; ++n) {
        caller.call(64);
        heard.insert(heard.end(), caller.output(0).begin(), caller.output(0).begin() + 64);
    }
    for (const std::int64_t n : {0, 12'000, 24'000, 47'000, 48'100, 51'000}) { // -20 dB + 20 dB per second
        const double gain_db = std::min(0.0, -20.0 + 20.0 * double(n) / 48'000.0);
        CHECK(heard[std::size_t(n)] ==
              Approx(some_drum(0, n) * std::pow(10.0, gain_db / 20.0)).epsilon(1e-4));
    }
    std::vector<float> mic(51'200), left(51'200), right(51'200);
    float* planes[] = {mic.data(), left.data(), right.data()};
    engine.tape().read(planes, 51'200);
    CHECK(left == mic);
    CHECK(mic[777] == some_drum(0, 777));
}

TEST_CASE("the cue is heard where the drummer listens and is never on tape", "[live]") {
    const auto monitor = GENERATE(Monitor::wet, Monitor::dry);
    auto settings = straight();
    settings.strips[0].mix.mute = true;
    LiveEngine engine(48'000.0, settings, monitor);
    Caller caller(engine);
    std::fill(caller.cue(1).begin(), caller.cue(1).end(), 0.25f);
    for (int n = 0; n < 800; ++n) caller.call(64);
    const std::size_t heard_at = monitor == Monitor::dry ? 3 : 1;
    for (std::size_t o = 0; o < engine.outputs(); ++o)
        CHECK(caller.output(o)[0] == (o == heard_at ? 0.25f : 0.0f));
    std::vector<float> mic(51'200), left(51'200), right(51'200);
    float* planes[] = {mic.data(), left.data(), right.data()};
    engine.tape().read(planes, 51'200);
    CHECK(right == std::vector<float>(51'200, 0.0f));
}

TEST_CASE("an edit begins with the next block and has arrived 20 ms later", "[live]") {
    auto settings = straight();
    LiveEngine engine(48'000.0, settings, Monitor::wet);
    Caller caller(engine);
    for (int n = 0; n < 800; ++n) caller.call(64);
    settings.output_level_db = -20.0;
    engine.move_to(settings);
    for (int n = 0; n < 15; ++n) caller.call(64); // 960 samples
    caller.call(64);
    const auto at = caller.frame() - 64;
    for (std::int64_t n = 0; n < 64; ++n)
        CHECK(caller.output(0)[std::size_t(n)] == Approx(0.1 * some_drum(0, at + n)).epsilon(1e-5));
    const auto events = take_off(engine);
    REQUIRE(events.size() == 1);
    CHECK(events[0].kind == LiveEvent::Kind::edit);
    CHECK(events[0].frame == 51'200);
}

TEST_CASE("what does not fit on the tape is counted and told with its place", "[live]") {
    LiveEngine engine(48'000.0, straight(), Monitor::wet, 0.02); // 960 frames: 1024
    Caller caller(engine);
    for (int n = 0; n < 20; ++n) caller.call(64); // 1280: 256 too many
    CHECK(engine.tape().readable() == 1'024);
    CHECK(take_off(engine).empty());
    caller.call(64);
    const auto events = take_off(engine);
    REQUIRE(events.size() == 1);
    CHECK(events[0].kind == LiveEvent::Kind::tape_lost);
    CHECK(events[0].frame == 1'024);
    CHECK(events[0].value == 256);
}

TEST_CASE("what is heard at the beginning of a take has no step", "[live]") {
    // a constant through a kick's high-pass: the fresh filter starts anew, so without a crossfade it would
    // jump
    auto settings = straight();
    settings.strips[0].kick =
        dsp::KickSettings{.high_pass_hz = 35.0, .high_pass_slope = dsp::Slope::db_6, .shelf_db = 0.0};
    LiveEngine engine(48'000.0, settings, Monitor::wet);
    std::vector<float> ones(64, 1.0f), silence(64), left(64), right(64), heard;
    const float* in[] = {ones.data()};
    const float* cue[] = {silence.data(), silence.data()};
    float* out[] = {left.data(), right.data()};
    for (int n = 0; n < 900; ++n) {
        if (n == 800) REQUIRE(engine.begin_take());
        engine.process(in, cue, out, 64);
        if (n >= 799) heard.insert(heard.end(), left.begin(), left.end());
    }
    CHECK(*std::max_element(heard.begin(), heard.end()) > 0.01f); // the fresh filter did come in
    for (std::size_t n = 1; n < heard.size(); ++n) CHECK(std::abs(heard[n] - heard[n - 1]) < 0.003f);
    CHECK_FALSE((engine.begin_take() && engine.begin_take())); // one after the other
}
