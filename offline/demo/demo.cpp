#include "offline/demo/demo.h"
#include "offline/audio/audio_file.h"
#include "offline/session/outputs.h"
#include "offline/session/presets.h"
#include "offline/session/session.h"
#include "offline/util/atomic_file.h"
#include "offline/util/digest.h"
#include "offline/util/text_file.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <optional>

namespace kitfold::offline {

namespace {

namespace fs = std::filesystem;
using dsp::drum_name;
using dsp::Json;

constexpr std::size_t kMostBytes = 64u << 20; // of truth.json

std::string wav_name(const dsp::SimulatedMic& mic) { return std::string(dsp::token(mic.role)) + ".wav"; }

/// Millionths are finer than anything the figures are good for, and keep the file readable.
double rounded(double x) { return std::round(x * 1e6) / 1e6; }
Json point(dsp::Position p) { return {rounded(p.x), rounded(p.y), rounded(p.z)}; }

Json mics_json(const dsp::Simulator& simulator) {
    Json out = Json::array();
    for (const auto& m : simulator.mics())
        out.push_back({{"name", m.name},
                       {"role", dsp::token(m.role)},
                       {"file", wav_name(m)},
                       {"position_m", point(m.position)},
                       {"axis", point(m.axis)},
                       {"pattern", m.pattern},
                       {"noise_dbfs", m.noise_dbfs}});
    return out;
}

Json partials_json(const std::vector<dsp::Partial>& partials) {
    Json out = Json::array();
    for (const auto& p : partials)
        out.push_back({{"hz", rounded(p.hz)},
                       {"ring_ms", rounded(p.ring_ms)},
                       {"open_ring_ms", rounded(p.open_ring_ms)},
                       {"deadened_ring_ms", rounded(p.deadened_ring_ms)},
                       {"delta_alpha_per_s", rounded(p.delta_alpha)},
                       {"level_db", rounded(p.level_db)}});
    return out;
}

Json drums_json(const dsp::Simulator& simulator) {
    const auto rings = simulator.measure_rings();
    Json out = Json::array();
    for (const auto& d : simulator.truth().drums) {
        Json drum{{"drum", drum_name(d.drum)}, {"position_m", point(d.position)}};
        drum["mic"] = d.own_mic ? Json(simulator.mics()[*d.own_mic].name) : Json();
        for (const auto& ring : rings)
            if (ring.drum == d.drum)
                drum["ring_ms"] = rounded(ring.ring_ms), drum["late_ms"] = rounded(ring.late_ms);
        drum["partials"] = partials_json(d.partials);
        out.push_back(std::move(drum));
    }
    return out;
}

Json hits_json(const dsp::Truth& truth) {
    Json out = Json::array();
    for (const auto& s : truth.strokes) {
        out.push_back({{"time_s", std::round(s.time_s * 1e9) / 1e9},
                       {"drum", drum_name(s.drum)},
                       {"strength_db", rounded(s.strength_db)},
                       {"radius", rounded(s.radius)},
                       {"angle_rad", rounded(s.angle)}});
        if (s.drum == dsp::Drum::hihat) out.back()["open"] = s.open;
    }
    return out;
}

Json paths_json(const dsp::Simulator& simulator) {
    Json out = Json::array();
    for (const auto& p : simulator.truth().direct)
        out.push_back({{"drum", drum_name(p.drum)},
                       {"mic", simulator.mics()[p.mic].name},
                       {"delay_ms", rounded(p.delay_ms)},
                       {"level_db", rounded(p.level_db)},
                       {"polarity", p.opposite ? "opposite" : "same"}});
    return out;
}

Json bleed_json(const dsp::Simulator& simulator) {
    Json out = Json::array();
    for (const auto& b : simulator.measure_bleed())
        out.push_back({{"drum", drum_name(b.drum)},
                       {"mic", simulator.mics()[b.mic].name},
                       {"level_db", rounded(b.level_db)}});
    return out;
}

Json image_json(const dsp::Truth& truth) {
    Json out = Json::array();
    for (const auto& i : truth.image)
        out.push_back({{"drum", drum_name(i.drum)},
                       {"level_difference_db", rounded(i.level_difference_db)},
                       {"time_difference_ms", rounded(i.time_difference_ms)}});
    return out;
}

Session starting_kit(int mics) {
    const auto presets = load_presets(presets_folder());
    return std::get<Session>(find_preset(presets, mics == 10 ? "kit_ten" : "kit_eight", "kit").content);
}

/// Settings to start from, as for any take; how polarity and delay should be is for the check to find.
Session session_for(const dsp::Simulator& simulator, const Session& kit, const fs::path& path) {
    Session session;
    session.path = path;
    session.title = fmt::format("Demo kit, take {}", simulator.options().seed);
    session.sum = kit.sum, session.bus = kit.bus, session.output = kit.output;
    for (const auto& simulated : simulator.mics()) {
        Mic mic;
        const auto start = std::find_if(kit.mics.begin(), kit.mics.end(),
                                        [&](const Mic& m) { return m.role == simulated.role; });
        if (start != kit.mics.end()) mic = *start;
        mic.name = simulated.name, mic.role = simulated.role, mic.file = wav_name(simulated);
        mic.mix.role = simulated.role;
        mic.mix.polarity = dsp::Polarity::normal, mic.mix.delay_ms = 0.0;
        session.mics.push_back(std::move(mic));
    }
    return session;
}

/// What the demo before left in the folder: its recordings, and a session that a person may have edited.
struct Former {
    std::vector<fs::path> wavs;
    bool has_session = false;
    std::string session_xxh128; ///< as it was written
};

/// Nothing where truth.json is not as Kitfold wrote it: then the folder is somebody else's.
std::optional<Former> former_demo(const fs::path& folder) {
    const auto truth = folder / "truth.json";
    if (!is_intact(truth, Product::demo)) return std::nullopt;
    Former former;
    const auto json = Json::parse(read_text_file(truth, kMostBytes));
    for (const auto& mic : json.at("mics"))
        former.wavs.push_back(folder / fs::path(mic.at("file").get<std::string>()).filename());
    former.has_session = fs::is_regular_file(fs::symlink_status(folder / "session.json"));
    former.session_xxh128 = json.at("session_xxh128").get<std::string>();
    return former;
}

/// A demo of eight mics over one of ten would leave two of the former, and `kitfold new` would find them.
void remove_left_over(const std::vector<fs::path>& former, const std::vector<fs::path>& files) {
    std::error_code gone;
    for (const auto& wav : former)
        if (std::find(files.begin(), files.end(), wav) == files.end() && is_intact(wav, Product::demo))
            fs::remove(wav, gone);
}

void refuse_outputs(const DemoRequest& request, const std::vector<fs::path>& files, bool session_is_kept) {
    Outputs outputs;
    for (const auto& file : files) {
        if (file.filename() != "session.json")
            outputs.writes(file, Product::demo);
        else if (!session_is_kept)
            outputs.creates(file);
    }
    std::error_code ignored;
    if (fs::exists(request.folder, ignored) && !fs::is_directory(request.folder, ignored))
        throw bad_input(request.folder.string() + " is a file, but must be a folder to put the demo in");
}

/// In pieces, so that memory does not grow with the length.
void write_wavs(const dsp::Simulator& simulator, const std::vector<fs::path>& files,
                const std::function<void(double)>& progress) {
    constexpr std::size_t kPiece = 1u << 16;
    AudioFormat format;
    format.rate_hz = static_cast<int>(simulator.options().rate_hz), format.channels = 1, format.bits = 24;
    format.dither = false; // the mics' own noise is 60 dB above the last bit
    format.frames = static_cast<std::int64_t>(simulator.frames());
    format.product = Product::demo;
    std::vector<AudioWriter> writers;
    for (std::size_t m = 0; m < simulator.mics().size(); ++m) writers.emplace_back(files[m], format);
    dsp::Simulator::Planar piece(writers.size(), std::vector<float>(kPiece));
    std::vector<float*> pointers;
    for (auto& mic : piece) pointers.push_back(mic.data());
    auto stream = simulator.stream();
    for (std::size_t done = 0; const std::size_t got = stream.read(pointers, kPiece);) {
        for (std::size_t m = 0; m < writers.size(); ++m) writers[m].write(&pointers[m], got);
        done += got;
        if (progress) progress(static_cast<double>(done) / static_cast<double>(simulator.frames()));
    }
    for (auto& writer : writers) writer.commit();
}

dsp::Simulator simulator_for(const DemoRequest& request) {
    try {
        return dsp::Simulator(request.kit);
    } catch (const std::invalid_argument& error) {
        throw bad_input(std::string("demo: ") + error.what());
    }
}

} // namespace

std::string truth_json_text(const dsp::Simulator& simulator, const std::string& session_text) {
    const auto& options = simulator.options();
    const Json truth{{"kitfold_truth", 1},
                     {"seal", blank_seal(Product::demo)},
                     {"session_xxh128", xxh128_of(session_text)},
                     {"rate_hz", options.rate_hz},
                     {"seconds", options.seconds},
                     {"seed", options.seed},
                     {"tone", options.tone == dsp::Tone::open ? "open" : "deadened"},
                     {"tempo_bpm", options.tempo_bpm},
                     {"speed_of_sound_m_s", rounded(simulator.truth().speed_of_sound)},
                     {"mics", mics_json(simulator)},
                     {"drums", drums_json(simulator)},
                     {"hits", hits_json(simulator.truth())},
                     {"paths", paths_json(simulator)},
                     {"bleed", bleed_json(simulator)},
                     {"image", image_json(simulator.truth())}};
    return sealed(dsp::pretty(truth) + "\n", Product::demo);
}

DemoSummary write_demo(const DemoRequest& request, const std::function<void(double)>& progress) {
    const auto kit = starting_kit(request.kit.mics); // is told if missing before the simulator's long work
    const auto simulator = simulator_for(request);
    DemoSummary summary;
    for (const auto& mic : simulator.mics()) summary.files.push_back(request.folder / wav_name(mic));
    for (const auto* name : {"session.json", "truth.json"}) summary.files.push_back(request.folder / name);
    const auto session = session_for(simulator, kit, request.folder / "session.json");
    const auto former = former_demo(request.folder);
    refuse_outputs(request, summary.files, former && former->has_session);
    MadeFolder folder(request.folder);
    write_wavs(simulator, summary.files, progress);
    if (former) remove_left_over(former->wavs, summary.files);
    const auto text = to_json_text(session);
    if (former && former->has_session) {
        const auto old_text = read_text_file(session.path, kMostBytes);
        if (old_text != text && xxh128_of(old_text) != former->session_xxh128)
            summary.backup = keep_backup(session.path, old_text);
    }
    write_whole_file(session.path, text);
    write_whole_file(request.folder / "truth.json", truth_json_text(simulator, text));
    folder.keep();
    summary.hits = simulator.truth().strokes.size();
    return summary;
}

dsp::Json demo_json(const DemoRequest& request, const DemoSummary& summary) {
    dsp::Json out{{"kitfold_demo", 1}, {"folder", request.folder.string()}, {"files", dsp::Json::array()}};
    for (const auto& file : summary.files) out["files"].push_back(file.filename().string());
    out["hits"] = summary.hits;
    if (summary.backup) out["backup"] = summary.backup->string();
    return out;
}

std::string demo_text(const DemoRequest& request, const DemoSummary& summary) {
    const auto folder = request.folder.string();
    auto out = fmt::format("{}: {} mics, {:g} s at {:g} Hz, {} drums, {} hits.\n", folder, request.kit.mics,
                           request.kit.seconds, request.kit.rate_hz,
                           request.kit.tone == dsp::Tone::open ? "open" : "deadened", summary.hits);
    if (summary.backup) out += "The session that was there is kept as " + summary.backup->string() + ".\n";
    return out +
           "session.json has settings to start from, truth.json what was really played and heard.\n"
           "Next: kitfold check " +
           folder + "\n";
}

} // namespace kitfold::offline
