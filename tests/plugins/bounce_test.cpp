// A whole session, played through the plug-ins in a host and bounced by the program: the same samples.
#include "bleed/kit_key_learn.h"
#include "bundles.h"
#include "hits/hits.h"
#include "hosting.h"
#include "offline/audio/audio_file.h"
#include "offline/session/session.h"
#include "support.h"
#include "synth/simulator.h"
#include <catch2/catch.hpp>
#include <filesystem>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::plugins::test;
namespace fs = std::filesystem;

namespace {

constexpr std::size_t kFrames = 40'000;

/// A folder that goes when it is no longer needed.
struct Folder {
    fs::path path = fs::temp_directory_path() / ("kitfold-bounce-" + std::to_string(std::random_device{}()));
    Folder() { fs::create_directories(path); }
    ~Folder() { fs::remove_all(path); }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
};

void write_wav(const fs::path& path, const Signal& samples) {
    offline::AudioFormat format;
    format.channels = 1, format.bits = 32, format.frames = static_cast<std::int64_t>(samples.size());
    offline::AudioWriter out(path, format);
    const float* plane = samples.data();
    out.write(&plane, samples.size());
    out.commit();
}

/// Writes the session and its audio, runs the program, reads what it wrote.
Channels bounced(offline::Session session, const Channels& mics) {
    const Folder folder;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        session.mics[m].name = "mic " + std::to_string(m + 1);
        session.mics[m].file = "mic_" + std::to_string(m + 1) + ".wav";
        write_wav(folder.path / session.mics[m].file, mics[m]);
    }
    session.output.bits = 32.0;
    session.path = folder.path / "session.json";
    offline::save_session(session, session.path);
    const auto file = folder.path / "out.wav";
    const auto command = std::string(KITFOLD_PROGRAM) + " bounce '" + session.path.string() + "' -o '" +
                         file.string() + "' >/dev/null 2>&1";
    REQUIRE(std::system(command.c_str()) == 0);
    return {offline::read_channel(file, 1).samples, offline::read_channel(file, 2).samples};
}

/// A plug-in with the state of a session's block, as a person would paste it.
template <class Write> Instance loaded(const Bundle& bundle, Write&& write) {
    auto p = load_vst3(bundle);
    auto processor = make(bundle.plugin, bundle.channels);
    write(*processor);
    std::size_t i = 0;
    for (auto* parameter : processor->getParameters()) // positions travel as a host's automation does
        if (i++ < processor->settings().size())
            named(*p, parameter->getName(128).toStdString())->setValueNotifyingHost(parameter->getValue());
    return p;
}

const Bundle& vst3_of(std::string_view plugin) {
    for (const auto& bundle : kVst3)
        if (bundle.plugin == plugin) return bundle;
    throw std::logic_error("no such plug-in");
}

template <class Settings> std::string block(const Settings& settings) { return dsp::to_state_text(settings); }

/// One mono signal through a stereo insert.
Signal through(Instance& p, const Signal& in) {
    Channels both(static_cast<std::size_t>(p->getTotalNumInputChannels()), in);
    return play(*p, both, block_sizes(kFrames, 512))[0];
}

} // namespace

TEST_CASE("bounce: kick, gate, damp, sum and bus in a host give the samples of the file", "[plugins]") {
    const auto mics = bursts(4, kFrames);
    offline::Session session;
    session.mics.resize(4);
    session.mics[0].filters = dsp::KickSettings{.high_pass_hz = 41.3,
                                                .shelf_db = 7.7,
                                                .box_db = -6.2,
                                                .bleed_cut_hz = 6'400,
                                                .bleed_cut_slope = dsp::Slope::db_12};
    session.mics[1].gate =
        dsp::GateSettings{.threshold_db = -24.5, .hold_ms = 11, .release_ms = 41, .range_db = -33.3};
    session.mics[2].filters = dsp::KickSettings{.level_db = -3.1};
    session.mics[2].gate =
        dsp::GateSettings{.threshold_db = -18, .range_db = dsp::kOffDb, .key_high_pass_hz = 90};
    session.mics[2].damp = dsp::DampSettings{.amount = 0.75,
                                             .high_db_per_s = 60,
                                             .tail_db_per_s = 15,
                                             .band_count = 2,
                                             .bands = {{{182.5}, {311.0}}}};
    const double pans[] = {0.0, -0.35, 0.8, 1.0};
    for (std::size_t m = 0; m < 4; ++m)
        session.mics[m].mix.pan = pans[m], session.mics[m].mix.level_db = -1.5 * static_cast<double>(m);
    session.sum.pan_law_db = dsp::PanLaw::db_4_5;
    session.bus = dsp::BusSettings{.threshold_db = -28.4, .ratio = 3.3, .makeup_db = 2.5, .blend = 0.85};

    Channels strips;
    for (std::size_t m = 0; m < 4; ++m) {
        auto signal = mics[m];
        if (session.mics[m].filters) {
            auto kick =
                loaded(vst3_of("kick"), [&](auto& p) { set_state_text(p, block(*session.mics[m].filters)); });
            signal = through(kick, signal);
        }
        if (session.mics[m].gate) {
            auto gate =
                loaded(vst3_of("gate"), [&](auto& p) { set_state_text(p, block(*session.mics[m].gate)); });
            signal = through(gate, signal);
        }
        if (session.mics[m].damp) {
            auto damp =
                loaded(vst3_of("damp"), [&](auto& p) { set_state_text(p, block(*session.mics[m].damp)); });
            signal = through(damp, signal);
        }
        strips.push_back(signal);
    }
    strips.resize(16, Signal(kFrames, 0.0f));
    auto gated_before = session;
    for (auto& mic : gated_before.mics) mic.gate.reset();
    auto sum =
        loaded(vst3_of("sum"), [&](auto& p) { set_state_text(p, offline::to_json_text(gated_before)); });
    auto submix = play(*sum, strips, block_sizes(kFrames, 512));
    submix.resize(4, Signal(kFrames, 0.0f));
    auto bus = loaded(vst3_of("bus"), [&](auto& p) { set_state_text(p, block(*session.bus)); });
    CHECK(first_difference(play(*bus, submix, block_sizes(kFrames, 512)), bounced(session, mics)) == kSame);
}

TEST_CASE("bounce: Sum with polarity, delays, pairs, mute and solo, its latency taken out", "[plugins]") {
    const bool solo = GENERATE(false, true);
    const auto mics = bursts(8, kFrames);
    offline::Session session;
    session.mics.resize(8);
    const dsp::Role roles[] = {dsp::Role::kick_in,      dsp::Role::kick_out,      dsp::Role::snare_top,
                               dsp::Role::snare_bottom, dsp::Role::overhead_left, dsp::Role::overhead_right,
                               dsp::Role::room_left,    dsp::Role::room_right};
    for (std::size_t m = 0; m < 8; ++m) {
        auto& mic = session.mics[m];
        mic.role = roles[m];
        mic.mix = {.level_db = plain(-2.2 * static_cast<double>(m), 10.0),
                   .pan = m % 2 == 0 ? -0.6 : 0.6,
                   .polarity = m == 3 ? dsp::Polarity::inverted : dsp::Polarity::normal,
                   .delay_ms = plain(0.117 * static_cast<double>(m), 1000.0),
                   .mute = m == 2,
                   .solo = solo && m > 3,
                   .role = roles[m]};
    }
    session.sum = {.pan_law_db = dsp::PanLaw::db_3, .overhead_width = 0.8, .room_width = 1.3};
    auto sum = loaded(vst3_of("sum"), [&](auto& p) { set_state_text(p, offline::to_json_text(session)); });
    auto in = mics;
    for (auto& c : in) c.resize(kFrames + 512, 0.0f);
    in.resize(16, Signal(kFrames + 512, 0.0f));
    auto out = play(*sum, in, block_sizes(kFrames + 512, 512));
    REQUIRE(pump_until([&] { return sum->getLatencySamples() > 0; }));
    const auto late = sum->getLatencySamples();
    for (auto& c : out) c.erase(c.begin(), c.begin() + late), c.resize(kFrames);
    CHECK(first_difference(out, bounced(session, mics)) == kSame);
}

TEST_CASE("bounce: Sum with gates that know the kit", "[plugins]") {
    dsp::SimulatorOptions options;
    options.seconds = 6.0;
    const dsp::Drum drums[] = {dsp::Drum::kick, dsp::Drum::snare, dsp::Drum::rack_tom, dsp::Drum::floor_tom};
    for (int i = 0; i < 14; ++i)
        options.strokes.push_back({0.3 + 0.4 * i, drums[i % 4], i % 8 < 4 ? -1.0 : -12.0});
    const dsp::Simulator simulator(options);
    const auto mics = simulator.render();
    const auto frames = mics[0].size();
    const auto take = dsp::take_of(kRate, simulator.take_mics(), {mics.begin(), mics.end()});
    const auto learned = dsp::learn_kit_key(take, dsp::find_hits(take));
    const auto rack = *simulator.mic(dsp::Role::rack_tom), floor = *simulator.mic(dsp::Role::floor_tom);
    REQUIRE((learned.table.knows(rack) && learned.table.knows(floor)));

    offline::Session session;
    session.mics.resize(mics.size());
    for (std::size_t m = 0; m < mics.size(); ++m)
        session.mics[m].role = simulator.mics()[m].role,
        session.mics[m].mix = {.pan = plain(0.15 * static_cast<double>(m) - 0.7, 100.0),
                               .delay_ms = plain(0.11 * static_cast<double>(m), 1000.0),
                               .role = simulator.mics()[m].role};
    const auto kit = dsp::GateKey::kit;
    session.mics[rack].gate = dsp::GateSettings{
        .threshold_db = -38.3, .hysteresis_db = 6, .hold_ms = 90, .lookahead_ms = 1.5, .key = kit};
    session.mics[floor].gate =
        dsp::GateSettings{.threshold_db = -41, .range_db = dsp::kOffDb, .lookahead_ms = 0.37, .key = kit};
    session.mics[0].gate = dsp::GateSettings{.threshold_db = -22, .release_ms = 90, .key_low_pass_hz = 900};
    session.bleed = learned.table;
    const auto expected = bounced(session, mics);
    for (std::size_t m = 0; m < mics.size(); ++m) session.mics[m].name = "mic " + std::to_string(m + 1);

    auto sum = load_vst3(vst3_of("sum"));
    StateInHost(*sum).give(*sum, offline::to_json_text(session)); // as a person would paste it
    CHECK(pump_until([&] { return named(*sum, "Kit known")->getCurrentValueAsText().contains("mics"); }));
    CHECK(pump_until([&] { return sum->getLatencySamples() > 0; }));
    const auto late = sum->getLatencySamples();
    CHECK(late == 72); // 1.5 ms at 48 kHz, which is room enough for a fraction of a sample
    auto in = mics;
    in.resize(16, Signal(frames, 0.0f));
    for (auto& c : in) c.resize(frames + 512, 0.0f);
    sum->prepareToPlay(kRate, 512);
    auto out = play(*sum, in, block_sizes(frames + 512, 512));
    for (auto& c : out) c.erase(c.begin(), c.begin() + late), c.resize(frames);
    CHECK(first_difference(out, expected) == kSame);
}
