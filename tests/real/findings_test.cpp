// What check finds on real strokes against what was played and put in. Takes of seeds that nothing else looks
// at.
#include "real_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <set>
#include <sndfile.h>

using namespace kitfold::test;

namespace {

std::set<std::string> faults_of(const Json& check, const std::string& role) {
    std::set<std::string> out;
    for (const auto& m : check.at("mics"))
        if (m.at("role") == role)
            for (const auto& f : m.at("faults")) out.insert(f.at("kind"));
    return out;
}

/// Rewrites a mic of the take, 24 bit as it was.
void rewrite(const RealTake& take, const std::string& role,
             const std::function<void(std::vector<float>&)>& change) {
    const auto file = take.path(role + ".wav");
    auto samples = read_sound(file);
    change(samples);
    write_sound(file, samples, SF_FORMAT_WAV | SF_FORMAT_PCM_24, int(take.rate_hz()));
}

} // namespace

TEST_CASE("strokes of kick, snare and tom are found, named and timed", "[real]") {
    if (no_recordings()) return;
    const auto [words, drums] = GENERATE(table<std::string, std::vector<std::string>>({
        {"--kind groove --seed 41 --seconds 60 --bpm 112", {"kick", "snare"}},
        {"--kind fills --seed 42 --seconds 60 --bpm 100 --rate 48000", {"kick", "snare"}},
        {"--kind line_check --seed 43 --seconds 50 --bpm 60 --rate 96000", {"kick", "snare"}},
        {"--kit b --kind groove --seed 44 --seconds 60 --bpm 120", {"kick", "rack_tom"}},
        {"--kit b --kind fills --seed 45 --seconds 60 --bpm 96", {"kick", "rack_tom"}},
        {"--kind snare_pair --snare b_basic --seed 46 --seconds 30 --bpm 110", {"snare"}},
    }));
    const RealTake take(words);
    const auto check = take.check();
    for (const auto& drum : drums) {
        const auto s = score_strokes(take.truth(), check, drum);
        INFO(words << ": " << drum << " played " << s.played << " missed " << s.missed << " wrong " << s.wrong
                   << " of " << s.found << ", over 3 ms " << s.late);
        // 1 % missed, 1 % wrong, 3 % not within 3 ms; one stroke of a short take is more than that
        CHECK(s.missed <= std::max(1, s.played / 100));
        CHECK(s.wrong <= std::max(1, s.found / 100));
        CHECK(s.missed + s.late <= std::max(2, 3 * s.played / 100));
    }
}

TEST_CASE("a snare is one at any tuning, and its wires are no strokes", "[real]") {
    if (no_recordings()) return;
    const RealTake take("--kind snare_pair --seed 47 --seconds 20 --bpm 104 --snare " +
                        GENERATE(as<std::string>{}, "a_basic", "e_basic", "j_basic", "k_basic"));
    const double higher =
        GENERATE(0.8, 1.25); // the same samples at another rate: a larger drum, or a smaller
    for (const auto& role : take.roles())
        write_sound(take.path(role + ".wav"), read_sound(take.path(role + ".wav")),
                    SF_FORMAT_WAV | SF_FORMAT_PCM_24, int(higher * take.rate_hz()));
    auto truth = take.truth();
    for (auto& h : truth["hits"]) h["time_s"] = double(h["time_s"]) / higher;
    const auto s = score_strokes(truth, take.check(), "snare");
    INFO(higher << ": played " << s.played << " missed " << s.missed << " wrong " << s.wrong);
    CHECK(s.missed <= 1);
    CHECK(s.wrong <= 1);
}

TEST_CASE("a kick is heard as one where its only mic stands in front of it", "[real]") {
    if (no_recordings()) return; // the snare's mic hears it first
    const RealTake take(GENERATE(as<std::string>{}, "--kind groove --seed 41 --seconds 60 --bpm 112",
                                 "--kind line_check --seed 43 --seconds 50 --bpm 60"));
    take.leave_out("kick_in");
    const auto check = take.check();
    for (const std::string drum : {"kick", "snare"}) {
        const auto s = score_strokes(take.truth(), check, drum);
        INFO(drum << " played " << s.played << " missed " << s.missed << " wrong " << s.wrong << " of "
                  << s.found);
        CHECK(s.missed <= std::max(1, s.played / 100));
        CHECK(s.wrong <= std::max(1, s.found / 100));
    }
}

TEST_CASE("no fault is found where none was put in, and nobody is accused", "[real]") {
    if (no_recordings()) return;
    const std::string words = GENERATE(
        "--kind groove --seed 51 --seconds 30 --bpm 92", "--kind sparse --seed 52 --seconds 40 --bpm 90",
        "--kit b --kind fills --seed 53 --seconds 30 --bpm 104",
        "--kind fills --seed 82 --seconds 30 --bpm 112 --leave-out kick_in", // the other stands a metre in
                                                                             // front
        "--kind snare_pair --snare d_rimshot --seed 54 --seconds 20 --bpm 100");
    const RealTake take(words);
    const auto check = take.check();
    std::set<std::string> clipped; // by the recording itself
    for (const auto& f : take.truth().at("recorded_faults")) clipped.insert(f.at("mic"));
    for (const auto& role : take.roles()) {
        auto found = faults_of(check, role);
        if (clipped.count(role) > 0) found.erase("clipped");
        if (role == "snare_bottom") found.erase("polarity"); // its head does move away when the top is struck
        INFO(words << ": " << role << " " << Json(found).dump());
        CHECK(found.empty());
    }
}

TEST_CASE("faults are found at every rate", "[real]") {
    if (no_recordings()) return;
    const std::string rate = GENERATE("44100", "48000", "96000");
    const RealTake take(
        "--kind groove --seed 61 --seconds 30 --bpm 100 --rate " + rate +
        " --fault kick_in=clip kick_out=flat snare_top=hum50 overhead_left=dc overhead_right=dropout "
        "room_left=low room_right=silent");
    const auto check = take.check();
    for (const auto& f : take.truth().at("faults")) {
        INFO(rate << ": " << f.dump());
        CHECK(faults_of(check, f.at("mic")).count(f.at("kind")) == 1);
    }
}

TEST_CASE("faults are found in the last second of a long take", "[real]") {
    if (no_recordings()) return;
    const std::string rate = GENERATE("44100", "96000");
    const RealTake take("--kind groove --seed 62 --seconds 200 --bpm 100 --rate " + rate);
    const auto fs = take.rate_hz();
    double last_hit_s = 0.0;
    for (const auto& h : take.truth().at("hits"))
        if (h.at("drum") == "kick") last_hit_s = std::max(last_hit_s, double(h.at("time_s")));
    // Overhead: the last stroke's sound is missing for 150 ms. Kick: its last stroke hits a ceiling 6 dB
    // down.
    rewrite(take, "overhead_left", [&](auto& x) {
        const auto from = x.begin() + std::ptrdiff_t((last_hit_s + 0.03) * fs);
        std::fill(from, from + std::ptrdiff_t(0.15 * fs), 0.0f);
    });
    rewrite(take, "kick_in", [&](auto& x) {
        const auto from = x.begin() + std::ptrdiff_t((last_hit_s - 0.01) * fs);
        float most = 0.0f;
        for (auto i = from; i != x.end(); ++i) most = std::max(most, std::abs(*i));
        for (auto i = from; i != x.end(); ++i) *i = std::clamp(2.0f * *i / most, -1.0f, 1.0f);
    });
    const auto check = take.check();
    const auto at = [&](const std::string& role, const std::string& kind) {
        for (const auto& m : check.at("mics"))
            if (m.at("role") == role)
                for (const auto& f : m.at("faults"))
                    if (f.at("kind") == kind) return f.at("at_s").is_null() ? -1.0 : double(f.at("at_s"));
        return -2.0;
    };
    INFO("the last stroke at " << last_hit_s << " s of " << take.truth().at("seconds"));
    CHECK(std::abs(at("overhead_left", "dropout") - (last_hit_s + 0.03)) < 0.01);
    CHECK(std::abs(at("kick_in", "clipped") - last_hit_s) < 0.05);
}
