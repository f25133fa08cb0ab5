#include "analysis/simulated_take.h"
#include "ring/pitch.h"
#include "ring/ring_table.h"
#include "synth/drum_voice.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::dsp;
using namespace kitfold::test;

TEST_CASE("notes are those of equal temperament at A4 = 440 Hz", "[pitch]") {
    // ISO 16:1975 and twelfth roots of two, as any table of note frequencies prints them, to 0.01 Hz
    const std::pair<double, const char*> kTable[] = {
        {27.50, "A0"},   {32.70, "C1"},   {41.20, "E1"},  {46.25, "F#1"}, {61.74, "B1"},   {65.41, "C2"},
        {82.41, "E2"},   {103.83, "G#2"}, {110.00, "A2"}, {130.81, "C3"}, {155.56, "D#3"}, {196.00, "G3"},
        {233.08, "A#3"}, {261.63, "C4"},  {440.00, "A4"}, {4186.01, "C8"}};
    for (const auto& [hz, name] : kTable) {
        CHECK(note_name(note_of(hz)) == name);
        CHECK(std::abs(note_of(hz).cents) < 0.4); // 0.005 Hz at A0
    }
    CHECK(note_of(440.0 * std::exp2(30.0 / 1200.0)).cents == Approx(30.0).epsilon(0).margin(1e-9));
    CHECK(note_of(440.0 * std::exp2(-30.0 / 1200.0)).cents == Approx(-30.0).epsilon(0).margin(1e-9));
    CHECK(note_name({0, 0.0}) == "C-1");
}

TEST_CASE("the pitch is that of the lowest strong partial", "[pitch]") {
    const auto partial = [](double hz, double level_db, bool judged) {
        RingPartial p;
        p.hz = hz, p.level_db = level_db, p.judged = judged, p.hits = 3;
        return p;
    };
    RingResult ring;
    CHECK(!pitch_hz(ring));
    ring.partials = {partial(40.0, -20.0, true), partial(98.0, -9.0, true), partial(156.0, 0.0, true)};
    CHECK(pitch_hz(ring) == 98.0); // 40 Hz is a rattle 20 dB down
    ring.partials.push_back(partial(30.0, 0.0, false));
    CHECK(pitch_hz(ring) == 98.0); // and nobody agrees on 30 Hz
}

TEST_CASE("the pitch of a simulated drum is its lowest strong mode's", "[pitch]") {
    SimulatorOptions options;
    options.style = Style::line_check;
    options.seconds = 40.0;
    options.seed = GENERATE(3u, 4u);
    const SimulatedTake take(options);
    const auto bleed = bleed_table(take.take, take.found_hits);
    const auto table = ring_table(take.take, take.found_hits, bleed);
    REQUIRE(table.size() == 4);
    for (const auto& ring : table) {
        const auto& drums = take.simulator.truth().drums;
        const auto truth =
            std::find_if(drums.begin(), drums.end(), [&](const auto& d) { return d.drum == ring.drum; });
        double lowest_hz = 1e9; // 12 dB: as the header says
        for (const auto& p : truth->partials)
            if (p.level_db > -12.0) lowest_hz = std::min(lowest_hz, p.hz);
        const auto hz = pitch_hz(ring.result);
        INFO(drum_name(ring.drum) << ": " << hz.value_or(0.0) << " Hz, built with " << lowest_hz);
        REQUIRE(hz);
        CHECK(1200.0 * std::abs(std::log2(*hz / lowest_hz)) < 20.0); // cents; a fifth of a semitone
    }
}
