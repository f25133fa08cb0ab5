#include "offline/bounce/bounce.h"
#include "offline/bounce/recall_sheet.h"
#include "offline/files.h"
#include "offline/util/errors.h"
#include "synth/simulator.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <random>

using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;
namespace dsp = kitfold::dsp;

namespace {

constexpr int kFloatWav = SF_FORMAT_WAV | SF_FORMAT_FLOAT;

double from_db(double db) { return std::pow(10.0, db / 20.0); }

std::vector<float> noise(std::size_t count, unsigned seed, float peak = 0.5f) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<float> value(-peak, peak);
    std::vector<float> out(count);
    for (float& x : out) x = value(random);
    return out;
}

std::vector<float> impulse(std::size_t count, std::size_t at) {
    std::vector<float> out(count);
    out[at] = 0.5f;
    return out;
}

std::vector<float> side(const std::vector<float>& stereo, std::size_t channel) {
    std::vector<float> out;
    for (std::size_t n = channel; n < stereo.size(); n += 2) out.push_back(stereo[n]);
    return out;
}

Mic mic(const std::string& name, const std::string& file, double pan) {
    Mic out;
    out.name = name;
    out.file = file;
    out.mix.pan = pan;
    return out;
}

/// No blocks, pan law 0, float: what goes in comes out.
BounceRequest plain(const Folder& folder, std::vector<Mic> mics) {
    BounceRequest request{.session = {}, .output = folder / "out.wav", .stems = {}, .rate_hz = {}};
    request.session.path = folder / "session.json";
    request.session.mics = std::move(mics);
    request.session.sum.pan_law_db = dsp::PanLaw::db_0;
    request.session.output.bits = 32.0;
    return request;
}

/// Three mics that use everything, on noise that comes and goes.
BounceRequest busy(const Folder& folder, double bits) {
    std::vector<Mic> mics;
    for (unsigned m = 0; m < 3; ++m) {
        std::vector<float> sound = noise(30'000, m + 1);
        for (std::size_t n = 0; n < sound.size(); ++n) sound[n] *= std::exp(-float(n % 9'000) / 700.0f);
        const std::string name = "mic" + std::to_string(m);
        write_sound(folder / (name + ".wav"), sound, kFloatWav);
        mics.push_back(mic(name, name + ".wav", m - 1.0));
        mics.back().mix.delay_ms = 1.234 * m;
        mics.back().mix.level_db = -3.0 * m;
        mics.back().filters.emplace();
        mics.back().gate.emplace();
        mics.back().gate->lookahead_ms = 2.0 * m;
    }
    BounceRequest request = plain(folder, mics);
    request.session.bus.emplace();
    request.session.output.bits = bits;
    return request;
}

/// The first time reference apart, every field of a broadcast extension is there.
void write_broadcast(const std::filesystem::path& path, const std::vector<float>& sound,
                     std::int64_t time_reference) {
    const BroadcastInfo info{"Take 7",
                             "Tracker",
                             "REF1",
                             "2024-05-17",
                             "10:30:00",
                             time_reference,
                             "A=PCM,F=48000,W=24,M=mono\r\n"};
    AudioWriter writer(
        path,
        {.channels = 1, .bits = 32, .frames = static_cast<std::int64_t>(sound.size()), .broadcast = info});
    const float* const plane = sound.data();
    writer.write(&plane, sound.size());
    writer.commit();
}

} // namespace

TEST_CASE("one mic without blocks comes out as it went in, sample for sample", "[offline]") {
    const Folder folder;
    std::vector<float> sound = noise(48'000, 1, 1.0f);
    sound[7] = 1.5f; // beyond full scale
    write_sound(folder / "in.wav", sound, kFloatWav);
    const BounceFigures figures = bounce(plain(folder, {mic("One", "in.wav", -1.0)}));
    const std::vector<float> out = read_sound(folder / "out.wav");
    CHECK(same(side(out, 0), sound));
    CHECK(same(side(out, 1), std::vector<float>(sound.size())));
    CHECK(figures.format.frames == 48'000);
    CHECK(figures.mics[0].peak_dbfs == Approx(20.0 * std::log10(1.5)).epsilon(0).margin(1e-6));
}

TEST_CASE("a stereo sine of -23 dBFS reads -23 LUFS", "[offline]") {
    // EBU Tech 3341, minimum requirements, cases 1 and 2: 1 kHz stereo, 20 s, +-0.1 LU
    const double level_db = GENERATE(-23.0, -33.0);
    const Folder folder;
    write_sound(folder / "in.wav", sine(1'000.0, from_db(level_db), 20.0), SF_FORMAT_WAV | SF_FORMAT_PCM_24);
    BounceRequest request = plain(folder, {mic("L", "in.wav", -1.0), mic("R", "in.wav", 1.0)});
    request.session.output.bits = GENERATE(16.0, 24.0, 32.0);
    const BounceFigures figures = bounce(request);
    CHECK(figures.stereo.loudness_lufs == Approx(level_db).epsilon(0).margin(0.1));
    CHECK(figures.stereo.sample_peak_dbfs == Approx(level_db).epsilon(0).margin(0.01));
    CHECK(figures.stereo.correlation == Approx(1.0).epsilon(0).margin(1e-9));
}

TEST_CASE("the output is the same, byte for byte, at any block size", "[offline]") {
    const Folder folder;
    BounceRequest request = busy(folder, GENERATE(16.0, 24.0, 32.0));
    request.stems = folder / "stems";
    bounce(request);
    const std::string whole = bytes_of_file(folder / "out.wav");
    const std::string stem = bytes_of_file(folder / "stems" / "02 mic1.wav");
    for (const std::size_t block : {1u, 100u, 513u, 30'000u}) {
        request.block_frames = block;
        bounce(request);
        CHECK((bytes_of_file(folder / "out.wav") == whole)); // double parentheses: not printed
        CHECK((bytes_of_file(folder / "stems" / "02 mic1.wav") == stem));
    }
}

TEST_CASE("the stems add up to the submix before the bus and the output level, within -140 dBFS",
          "[offline]") {
    const Folder folder;
    BounceRequest request = busy(folder, 32.0);
    auto& session = request.session;
    session.output.level_db = 0.0;
    session.mics[0].role = dsp::Role::overhead_left, session.mics[2].role = dsp::Role::overhead_right;
    for (auto& mic : session.mics) mic.mix.role = mic.role, mic.mix.pan *= 0.7;
    session.sum.overhead_width = GENERATE(0.4, 1.3);
    session.sum.mono = GENERATE(false, true);
    session.mics[1].mix.mute = GENERATE(false, true);
    request.stems = folder / "stems";
    const auto figures = bounce(request); // the bus is on: the stems are from before it
    session.bus.reset();
    request.stems.reset();
    bounce(request);
    const auto whole = read_sound(folder / "out.wav");
    std::vector<double> sum(whole.size(), 0.0);
    for (const auto& mic : figures.mics) {
        const auto stem = read_sound(mic.stem);
        REQUIRE(stem.size() == whole.size());
        double peak = 0.0;
        for (std::size_t n = 0; n < stem.size(); ++n)
            sum[n] += stem[n], peak = std::max(peak, std::abs(double(stem[n])));
        // the peak that is printed is that of this part
        if (peak > 0.0)
            CHECK(mic.peak_dbfs == Approx(20.0 * std::log10(peak)).epsilon(0).margin(0.01));
        else
            CHECK(std::isinf(mic.peak_dbfs));
    }
    double apart = 0.0;
    for (std::size_t n = 0; n < sum.size(); ++n) apart = std::max(apart, std::abs(sum[n] - double(whole[n])));
    CHECK(apart < 1e-7);
}

TEST_CASE("nothing moves in time, whatever the blocks need", "[offline]") {
    const Folder folder;
    write_sound(folder / "in.wav", impulse(20'000, 12'345), kFloatWav);
    BounceRequest request = plain(folder, {mic("A", "in.wav", -1.0), mic("B", "in.wav", 1.0)});
    request.session.mics[0].gate.emplace();
    request.session.mics[0].gate->range_db = 0.0; // open at any time
    request.session.mics[0].gate->lookahead_ms = 10.0;
    request.session.mics[1].mix.delay_ms = 1.0; // 48 samples
    request.stems = folder / "stems";
    request.dry_stems = true;
    bounce(request);
    const std::vector<float> out = read_sound(folder / "out.wav");
    CHECK(same(side(out, 0), impulse(20'000, 12'345)));
    CHECK(same(side(out, 1), impulse(20'000, 12'345 + 48)));
    CHECK(same(read_sound(folder / "stems" / "01 A.wav"), impulse(20'000, 12'345)));
    CHECK(same(read_sound(folder / "stems" / "02 B.wav"), impulse(20'000, 12'345 + 48)));
}

TEST_CASE("a short mic ends in silence, and the engineer is told", "[offline]") {
    const Folder folder;
    const std::vector<float> sound = noise(10'000, 1), rest = noise(4'000, 2);
    write_sound(folder / "long.wav", sound, kFloatWav);
    write_sound(folder / "short.wav", rest, kFloatWav);
    const BounceFigures figures =
        bounce(plain(folder, {mic("Short", "short.wav", -1.0), mic("Long", "long.wav", 1.0)}));
    const std::vector<float> out = read_sound(folder / "out.wav");
    std::vector<float> expected = rest;
    expected.resize(10'000);
    CHECK(same(side(out, 0), expected));
    CHECK(same(side(out, 1), sound));
    REQUIRE(figures.notices.size() == 1);
    CHECK_THAT(figures.notices[0], Contains("Short") && Contains("0.125 s")); // 6000 samples at 48 kHz
}

TEST_CASE("channels of one file are mics of their own", "[offline]") {
    const Folder folder;
    const std::vector<float> wide = noise(3 * 5'000, 1);
    write_sound(folder / "wide.wav", wide, kFloatWav, 48'000, 3);
    BounceRequest request = plain(folder, {mic("Third", "wide.wav", -1.0), mic("First", "wide.wav", 1.0)});
    request.session.mics[0].channel = 3;
    bounce(request);
    const std::vector<float> out = read_sound(folder / "out.wav");
    for (std::size_t n = 0; n < 5'000; n += 499) {
        CHECK(out[2 * n] == wide[3 * n + 2]);
        CHECK(out[2 * n + 1] == wide[3 * n]);
    }
}

TEST_CASE("time references line the mics up, and the earliest is carried on", "[offline]") {
    const Folder folder;
    const std::int64_t start = 48'000ll * 3'600 * 14; // 14:00
    write_broadcast(folder / "late.wav", impulse(20'000, 1'000), start + 4'800);
    write_broadcast(folder / "early.wav", impulse(20'000, 5'800), start);
    write_sound(folder / "undated.wav", impulse(20'000, 77), kFloatWav);
    BounceRequest request = plain(folder, {mic("Late", "late.wav", -1.0), mic("Early", "early.wav", 1.0)});
    const BounceFigures figures = bounce(request);
    const std::vector<float> out = read_sound(folder / "out.wav");
    CHECK(same(side(out, 0), impulse(24'800, 5'800)));
    CHECK(same(side(out, 1), impulse(24'800, 5'800)));
    CHECK_THAT(figures.notices.at(0), Contains("Late: starts 0.100 s"));
    CHECK_THAT(figures.notices.at(1), Contains("Early: ends 0.100 s"));

    const AudioReader reader(folder / "out.wav");
    REQUIRE(reader.info().broadcast);
    CHECK(reader.info().broadcast->time_reference == start);
    CHECK(reader.info().broadcast->description == "Take 7");
    CHECK_THAT(reader.info().broadcast->coding_history,
               Contains("M=mono\r\nA=PCM,F=48000,W=32,M=stereo,T=Kitfold"));

    request.session.mics.push_back(mic("Undated", "undated.wav", -1.0));
    CHECK_THAT(bounce(request).notices.at(1), Contains("Undated: has no time reference"));
    CHECK(side(read_sound(folder / "out.wav"), 0)[77] == 0.5f);

    write_broadcast(folder / "late.wav", impulse(20'000, 1'000), start + 48'000 * 60);
    CHECK_THROWS_WITH(bounce(plain(folder, {mic("Early", "early.wav", 1.0), mic("Late", "late.wav", -1.0)})),
                      Contains("late.wav") || Contains("early.wav"));
}

TEST_CASE("a file of another rate is converted when asked for", "[offline]") {
    const Folder folder;
    const double from_hz = GENERATE(44'100.0, 96'000.0);
    write_sound(folder / "other.wav", sine(1'000.0, 0.5, 2.0, from_hz), kFloatWav, static_cast<int>(from_hz));
    write_sound(folder / "same.wav", noise(96'000, 1), kFloatWav);
    BounceRequest request = plain(folder, {mic("Other", "other.wav", -1.0), mic("Same", "same.wav", 1.0)});
    CHECK_THROWS_WITH(bounce(request), Contains("48000 Hz") && Contains("--rate"));
    request.rate_hz = 48'000;
    bounce(request);
    SF_INFO info{};
    const std::vector<float> out = read_sound(folder / "out.wav", &info);
    CHECK(info.samplerate == 48'000);
    CHECK(info.frames == 96'000);
    const std::vector<float> expected = sine(1'000.0, 0.5, 2.0); // the same sine, sampled at 48 kHz
    double worst = 0.0;
    for (std::size_t n = 4'800; n < 91'200; ++n) // but for the edges, where the sine starts from nothing
        worst = std::max(worst, std::abs(double(out[2 * n]) - expected[n]));
    CHECK(20.0 * std::log10(worst) < -120.0); // three steps of a float around 0.5
    CHECK(same(side(out, 1), noise(96'000, 1)));
}

TEST_CASE("samples that are not numbers are silence, and told", "[offline]") {
    const Folder folder;
    std::vector<float> sound = noise(1'000, 1);
    sound[10] = std::numeric_limits<float>::quiet_NaN();
    write_sound(folder / "in.wav", sound, kFloatWav);
    const BounceFigures figures = bounce(plain(folder, {mic("One", "in.wav", -1.0)}));
    sound[10] = 0.0f;
    CHECK(same(side(read_sound(folder / "out.wav"), 0), sound));
    CHECK_THAT(figures.notices.at(0), Contains("One: 1 sample"));
}

TEST_CASE("a gate whose key is the kit is a plain gate without known bleed, and told", "[offline]") {
    const Folder folder;
    write_sound(folder / "in.wav", sine(100.0, 0.5, 1.0), kFloatWav);
    BounceRequest request = plain(folder, {mic("Tom", "in.wav", -1.0)});
    request.session.mics[0].gate = dsp::GateSettings{.key = dsp::GateKey::kit};
    CHECK_THAT(bounce(request).notices.at(0),
               Contains("Tom: the gate's key is the kit") && Contains("plain gate"));
    request.session.bleed.mics.resize(1);
    request.session.bleed.mics[0].known = true;
    CHECK(bounce(request).notices.empty());
}

TEST_CASE("a bounce takes bleed down where it is asked to, moves nothing, and tells what it can't",
          "[offline]") {
    const Folder folder;
    dsp::SimulatorOptions options;
    options.seconds = 12.0, options.seed = 5;
    const dsp::Simulator simulator(options);
    const auto sounds = simulator.render();
    std::vector<Mic> mics;
    for (std::size_t m = 0; m < sounds.size(); ++m) {
        const auto& from = simulator.mics()[m];
        mics.push_back(mic(from.name, from.name + ".wav", 0.0));
        mics.back().role = from.role;
        write_sound(folder / (from.name + ".wav"), sounds[m], kFloatWav);
    }
    auto request = plain(folder, mics);
    request.stems = folder / "stems";
    request.dry_stems = true;
    const auto snare = *simulator.mic(dsp::Role::snare_top), kick = *simulator.mic(dsp::Role::kick_in);
    request.session.mics[snare].bounce.bleed_reduction_db = 12.0;
    const auto figures = bounce(request);
    CHECK(figures.notices.empty());
    CHECK_THAT(recall_page(request, figures, ""),
               Contains("Bleed reduction</th>") && Contains("<td>12.0 dB</td>"));
    CHECK(read_sound(figures.mics[kick].stem) == sounds[kick]);
    const auto reduced = read_sound(figures.mics[snare].stem);
    const auto own = simulator.render_drum(dsp::Drum::snare)[snare];
    REQUIRE(reduced.size() == own.size());
    double wrong_before = 0.0, wrong_after = 0.0;
    for (std::size_t n = 0; n < own.size(); ++n) {
        wrong_before += std::pow(sounds[snare][n] - own[n], 2.0);
        wrong_after += std::pow(reduced[n] - own[n], 2.0);
    }
    CHECK(10.0 * std::log10(wrong_after / wrong_before) < -8.0); // what the masks cost the drum is in it
    write_sound(folder / "unused.wav", std::vector<float>(sounds[0].size()), kFloatWav);
    request.session.mics.push_back(mic("Second tom", "unused.wav", 0.0));
    request.session.mics.back().role = dsp::Role::floor_tom_2;
    request.session.mics.back().bounce.bleed_reduction_db = 12.0;
    CHECK_THAT(bounce(request).notices.at(0), Contains("Second tom: its bleed is left as it is"));
}

TEST_CASE("what is clipped is told, with what to do", "[offline]") {
    const Folder folder;
    write_sound(folder / "in.wav", sine(100.0, 1.0, 1.0), kFloatWav);
    BounceRequest request = plain(folder, {mic("One", "in.wav", -1.0)});
    request.session.output = {.level_db = 6.0, .bits = 24.0};
    const BounceFigures figures = bounce(request);
    CHECK(figures.clipped > 20'000); // a sine doubled is over for two thirds of the time
    CHECK_THAT(figures.notices.at(0), Contains("clipped") && Contains("6.1 dB"));
}

TEST_CASE("the recall sheet holds every setting and the digests of the files", "[offline]") {
    const Folder folder;
    BounceRequest request = busy(folder, 24.0);
    request.session.title = "A <loud> \"kit\" & more";
    const BounceFigures figures = bounce(request);
    const dsp::Json json = dsp::parse_json(bytes_of_file(folder / "out.recall.json"));
    CHECK(json["version"] == KITFOLD_VERSION);
    CHECK(json["session"] == dsp::parse_json(to_json_text(request.session)));
    const auto sum_by_xxh128sum = [](const std::filesystem::path& path) {
        FILE* pipe = popen(("xxh128sum '" + path.string() + "'").c_str(), "r");
        char text[33]{};
        CHECK(std::fread(text, 1, 32, pipe) == 32);
        pclose(pipe);
        return std::string(text);
    };
    for (std::size_t m = 0; m < 3; ++m)
        CHECK(json["figures"]["mics"][m]["file"]["xxh128"] ==
              sum_by_xxh128sum(folder / ("mic" + std::to_string(m) + ".wav")));
    CHECK(json["figures"]["xxh128"] == sum_by_xxh128sum(folder / "out.wav"));

    const std::string page = bytes_of_file(folder / "out.recall.html");
    CHECK_THAT(page, Contains("A &lt;loud&gt; &quot;kit&quot; &amp; more") && !Contains("<loud>"));
    CHECK_THAT(page, !Contains("<script") && !Contains("http"));
    for (const auto& mic : request.session.mics)
        if (mic.gate) // with every number that is on
            for (const auto member : {&dsp::GateSettings::threshold_db, &dsp::GateSettings::hysteresis_db,
                                      &dsp::GateSettings::range_db})
                CHECK_THAT(page, Contains(dsp::text(dsp::parameter_of(member), (*mic.gate).*member)));
    for (const char* blank : {"Mic model", "Preamp gain", "Distance", "Notes"})
        CHECK_THAT(page, Contains(blank));
    CHECK_THAT(page, Contains(figures.mics[2].source.xxh128));
    REQUIRE(figures.bus);
    CHECK(figures.mics[0].gate_open_s);
}

TEST_CASE("a failed bounce leaves nothing, not even the stems' folder", "[offline]") {
    const Folder folder;
    BounceRequest request = busy(folder, 24.0);
    request.stems = folder / "stems";
    const std::string whole = bytes_of_file(folder / "mic1.wav");
    write_text(folder / "mic1.wav", whole.substr(0, 100));
    const std::size_t before = entries_in(folder);
    CHECK_THROWS_AS(bounce(request), Error);
    CHECK(entries_in(folder) == before);
}
