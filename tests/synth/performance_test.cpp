#include "synth/performance.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <map>

using namespace kitfold::dsp;

namespace {

std::map<Drum, std::vector<Stroke>> by_drum(const std::vector<Stroke>& strokes) {
    std::map<Drum, std::vector<Stroke>> out;
    for (const auto& s : strokes) out[s.drum].push_back(s);
    return out;
}

double loudest(const std::vector<Stroke>& strokes) {
    return std::max_element(strokes.begin(), strokes.end(),
                            [](const auto& a, const auto& b) { return a.strength_db < b.strength_db; })
        ->strength_db;
}

} // namespace

TEST_CASE("every style keeps to its take and to what a stroke can be", "[synth]") {
    const auto style = GENERATE(Style::groove, Style::line_check, Style::hard_sparse_toms, Style::hard_rolls);
    const double seconds = GENERATE(0.2, 5.0, 60.0), tempo_bpm = GENERATE(40.0, 104.0, 240.0);
    double before = 0.0;
    for (const auto& s : perform(style, seconds, tempo_bpm, 11)) {
        CHECK((s.time_s >= before && s.time_s < seconds));
        CHECK((s.strength_db >= -60.0 && s.strength_db <= 0.0));
        CHECK((s.radius >= 0.0 && s.radius <= 0.9));
        before = s.time_s;
    }
}

TEST_CASE("the groove has dynamics, ghost notes, fills and time that breathes", "[synth]") {
    const auto drums = by_drum(perform(Style::groove, 60.0, 104.0, 3));
    for (const Drum drum :
         {Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom, Drum::hihat, Drum::ride, Drum::cymbals})
        CHECK(drums.at(drum).size() >= 3);
    const auto& snare = drums.at(Drum::snare);
    CHECK(std::count_if(snare.begin(), snare.end(), [](const auto& s) { return s.strength_db < -17.0; }) >=
          10);
    std::vector<double> gaps; // between backbeats: a half note is 1.154 s at 104
    const Stroke* before = nullptr;
    for (const auto& s : snare)
        if (s.strength_db > -6.0) {
            if (before && s.time_s - before->time_s > 1.05) gaps.push_back(s.time_s - before->time_s);
            before = &s;
        }
    const auto [shortest, longest] = std::minmax_element(gaps.begin(), gaps.end());
    CHECK(*longest - *shortest > 0.005);
    CHECK(*shortest > 1.10);
}

TEST_CASE("sparse toms: twelve strokes, soft and loud, in a minute of hard playing", "[synth]") {
    const auto drums = by_drum(perform(Style::hard_sparse_toms, 60.0, 104.0, 3));
    const auto &rack = drums.at(Drum::rack_tom), &floor = drums.at(Drum::floor_tom);
    CHECK(rack.size() + floor.size() == 12);
    for (const auto* tom : {&rack, &floor}) {
        CHECK(loudest(*tom) == 0.0);
        CHECK(std::any_of(tom->begin(), tom->end(), [](const auto& s) { return s.strength_db <= -19.0; }));
    }
    CHECK(loudest(drums.at(Drum::snare)) > -1.0);
    CHECK(drums.at(Drum::cymbals).size() >= 10);
}

TEST_CASE("rolls, flams 25 ms apart, snare and tom together", "[synth]") {
    const auto strokes = perform(Style::hard_rolls, 60.0, 104.0, 3);
    int flams = 0, together = 0, rolled = 0;
    const Stroke* tom = nullptr;
    for (const auto& a : strokes) {
        if (a.drum == Drum::rack_tom || a.drum == Drum::floor_tom) {
            if (tom && std::abs(a.time_s - tom->time_s - 0.025) < 1e-9) ++flams;
            if (tom && a.drum == tom->drum && a.time_s - tom->time_s < 0.09) ++rolled; // a 32nd is 72 ms
            tom = &a;
        }
        for (const auto& b : strokes)
            if (a.drum == Drum::snare && b.drum == Drum::rack_tom && a.time_s == b.time_s) ++together;
    }
    CHECK(flams >= 10);
    CHECK(rolled >= 30);
    CHECK(together >= 5);
}
