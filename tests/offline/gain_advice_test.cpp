#include "files.h"
#include "offline/check/gain_advice.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;

namespace {

/// A mic whose strokes peak at a level, and that was knocked once between them at full scale.
dsp::MicMeasure measure_of(double stroke_dbfs, bool knocked) {
    constexpr double kRate_hz = 48'000.0;
    std::vector<float> x(96'000, 1e-4f);
    for (const std::size_t at : {12'000u, 36'000u, 60'000u})
        x[at + 100] = float(std::pow(10.0, stroke_dbfs / 20.0));
    if (knocked) x[80'000] = -1.0f;
    dsp::MicMeter meter(kRate_hz);
    meter.push(x);
    return meter.finish();
}

std::vector<dsp::Hit> strokes() {
    std::vector<dsp::Hit> hits(3);
    for (std::size_t n = 0; n < 3; ++n) hits[n].time_s = 0.25 + 0.5 * double(n);
    return hits;
}

} // namespace

TEST_CASE("a preamp is turned so that 6 to 18 dB are left over the loudest stroke", "[gain]") {
    const auto hits = strokes();
    const auto advice = [&](double dbfs, bool clipped = false, bool knocked = false) {
        return gain_advice(measure_of(dbfs, knocked), hits, clipped);
    };
    // 0 dBFS less what the strokes peak at; turned down to 6 dB left, or up to 10
    const std::tuple<double, int, const char*> kTable[] = {{-0.5, -6, "down 6 dB"}, {-4.2, -2, "down 2 dB"},
                                                           {-6.01, 0, "leave"},     {-17.9, 0, "leave"},
                                                           {-18.5, 8, "up 8 dB"},   {-40.0, 30, "up 30 dB"}};
    for (const auto& [dbfs, turn_db, words] : kTable) {
        CAPTURE(dbfs);
        REQUIRE(advice(dbfs));
        CHECK(advice(dbfs)->headroom_db == Approx(-dbfs).epsilon(0).margin(1e-4));
        CHECK(advice(dbfs)->turn_db == turn_db);
        CHECK(gain_words(*advice(dbfs)) == words);
    }
    CHECK(gain_words(*advice(-0.5, true)) == "down 6 dB or more"); // what is clipped hides how loud it was
    CHECK(advice(-12.0, false, true)->turn_db == 0);               // a knock on the stand is no stroke
    CHECK(!advice(-65.0));
    CHECK(gain_advice(measure_of(-12.0, true), {}, false)->headroom_db ==
          0.0); // no strokes: everything counts
}

TEST_CASE("check says what each preamp has left", "[gain][program]") {
    const Folder folder;
    const auto take = (folder / "take").string();
    REQUIRE(run_program({"demo", take, "--seconds", "8", "--mics", "8"}).exit_code == 0);
    SF_INFO info{};
    auto samples = read_sound(folder / "take/snare_top.wav", &info);
    float peak = 0.0f;
    for (const float x : samples) peak = std::max(peak, std::abs(x));
    for (float& x : samples) x *= 0.9f / peak; // -0.92 dBFS
    write_sound(folder / "take/snare_top.wav", samples, info.format, info.samplerate);
    const auto json = nlohmann::json::parse(run_program({"check", take, "--json"}).out);
    for (const auto& mic : json["mics"])
        if (mic["role"] == "snare_top") {
            CHECK(mic["headroom_db"].get<double>() == Approx(0.9).epsilon(0).margin(0.051));
            CHECK(mic["turn_preamp_db"] == -6);
        }
    CHECK_THAT(run_program({"check", take}).out, Catch::Matchers::Contains("down 6 dB"));
}
