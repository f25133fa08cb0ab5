#include "analysis/arrival.h"
#include "trap_take.h"
#include <catch2/catch.hpp>

using namespace kitfold;

namespace {

dsp::FirstArrival found(const test::TrapSettings& s) {
    const auto trap = test::make_trap(s);
    const dsp::DrumExcerpts excerpts(trap.take, trap.hits, dsp::Drum::kick, dsp::kArrivalBeforeMs,
                                     dsp::kArrivalAfterMs, 40);
    return dsp::ArrivalFinder(s.rate_hz).find(excerpts, 0, 1);
}

} // namespace

TEST_CASE("first arrival and polarity survive what misleads a plain correlation", "[arrival]") {
    test::TrapSettings s;
    s.seed = GENERATE(1u, 2u, 3u);
    SECTION("plain") {}
    SECTION("b much earlier") { s.delay_ms = -21.37; }
    SECTION("b much later, same way up") { s.delay_ms = 33.123, s.opposite = false; }
    SECTION("heads answer in opposite phase") { s.heads_disagree = true; }
    SECTION("reflections louder than the direct sound") { s.reflections = 1.2; }
    SECTION("boomy mic") { s.b_low_pass_hz = 2000.0; }
    SECTION("noise") { s.noise = 0.01; }
    SECTION("44.1 kHz") { s.rate_hz = 44'100.0; }
    SECTION("96 kHz") { s.rate_hz = 96'000.0; }
    const auto arrival = found(s);
    INFO("delay " << arrival.delay_ms << " opposite " << arrival.opposite << " confidence "
                  << arrival.confidence << " spread " << arrival.spread_ms);
    CHECK(arrival.delay_ms == Approx(s.delay_ms).epsilon(0).margin(0.05));
    CHECK(arrival.opposite == s.opposite);
    CHECK(arrival.confidence > 0.6);
}
