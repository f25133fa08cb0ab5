#include "offline/session/new_session.h"
#include "core/units.h"
#include "mix/pan_mix.h"
#include "offline/audio/audio_file.h"
#include "offline/session/like.h"
#include "offline/session/roles.h"
#include "offline/session/roles_by_sound.h"
#include "offline/util/errors.h"
#include "offline/util/progress.h"
#include "offline/util/seal.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;
using dsp::Role;

constexpr double kPresetPeakDb = -8.0; ///< the presets' gate thresholds are for a mic that peaks here
constexpr double kSilentPeakDb =
    -60.0; ///< below it nothing was played, and a peak says nothing of a threshold

/// A file and what reading it once told.
struct Recording {
    fs::path name;
    AudioInfo info;
    std::vector<float> peaks; ///< of each channel
    bool same = true;         ///< all channels carry the same samples
};

bool is_audio_name(const fs::path& name) {
    static const std::set<std::string> known = {".wav", ".wave", ".bwf", ".rf64", ".aif", ".aiff", ".flac"};
    auto extension = name.extension().string();
    for (char& c : extension) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    return known.count(extension) != 0 && !name.string().starts_with('.');
}

bool is_plain_text(const std::string& name) {
    const bool control =
        std::any_of(name.begin(), name.end(), [](unsigned char c) { return c < 0x20 || c == 0x7f; });
    try {
        return !control && !dsp::pretty(dsp::Json(name)).empty();
    } catch (const dsp::Json::exception&) { // not UTF-8, which a session is
        return false;
    }
}

std::vector<fs::path> audio_names(const fs::path& folder) {
    std::error_code error;
    if (!fs::is_directory(folder, error))
        throw bad_input(folder.string() +
                        (fs::exists(folder, error) ? " is not a folder" : ": no such folder") +
                        "; name the folder that holds the recordings");
    std::vector<fs::path> out;
    for (const auto& entry : fs::directory_iterator(folder, error))
        if (entry.is_regular_file(error) && is_audio_name(entry.path().filename()))
            out.push_back(entry.path().filename());
    if (error) throw io_failed(folder.string() + ": can't be read: " + error.message());
    if (out.empty()) throw bad_input(folder.string() + ": no WAV, AIFF or FLAC files in this folder");
    if (out.size() > dsp::PanMix::kMaxMics)
        throw bad_input(fmt::format("{}: {} audio files, but a session takes 32 mics; move some away",
                                    folder.string(), out.size()));
    std::sort(out.begin(), out.end());
    return out;
}

Recording listen(const fs::path& folder, const fs::path& name) {
    constexpr std::size_t kFrames = 1 << 16;
    AudioReader reader(folder / name);
    Recording out{name, reader.info(), std::vector<float>(reader.planes(), 0.0f)};
    std::vector<std::vector<float>> samples(reader.planes(), std::vector<float>(kFrames));
    std::vector<float*> planes;
    for (auto& channel : samples) planes.push_back(channel.data());
    while (const auto got = reader.read(planes.data(), kFrames))
        for (std::size_t c = 0; c < planes.size(); ++c) {
            out.same = out.same && std::equal(planes[0], planes[0] + got, planes[c]);
            for (std::size_t n = 0; n < got; ++n)
                out.peaks[c] = std::max(out.peaks[c], std::abs(planes[c][n]));
        }
    return out;
}

std::vector<Recording> listen_to_all(const fs::path& folder, std::vector<std::string>& notices,
                                     const std::function<void(double)>& progress) {
    const auto names = audio_names(folder);
    std::vector<Recording> out;
    for (const auto& name : names) {
        if (progress) progress(static_cast<double>(&name - names.data()) / static_cast<double>(names.size()));
        if (!is_plain_text(name.string())) {
            notices.push_back("left out a file whose name is not plain UTF-8 text; rename it");
            continue;
        }
        if (is_intact(folder / name, Product::submix) || is_intact(folder / name, Product::stem)) {
            notices.push_back("left out " + name.string() + ": Kitfold bounced it");
            continue;
        }
        try {
            out.push_back(listen(folder, name));
        } catch (const Error& error) { // the other mics are still worth a session
            notices.push_back(std::string("left out ") + error.what());
        }
    }
    if (out.empty()) throw bad_input(folder.string() + ": " + notices.front());
    return out;
}

std::set<Role> roles_of(const std::vector<Mic>& mics) {
    std::set<Role> out;
    for (const auto& mic : mics) out.insert(mic.role);
    out.erase(Role::other);
    return out;
}

/// How alike two sets of mics are: what they share of what they have together, 0..1.
double likeness(const std::set<Role>& a, const std::set<Role>& b) {
    std::vector<Role> both;
    std::set_intersection(a.begin(), a.end(), b.begin(), b.end(), std::back_inserter(both));
    const auto all = a.size() + b.size() - both.size();
    return all == 0 ? 0.0 : static_cast<double>(both.size()) / static_cast<double>(all);
}

const Preset& fitting_kit(const std::vector<Preset>& presets, const std::set<Role>& roles) {
    const Preset* best = nullptr;
    double best_likeness = -1.0;
    for (const auto& preset : presets)
        if (const auto* kit = std::get_if<Session>(&preset.content))
            if (const double like = likeness(roles, roles_of(kit->mics)); like > best_likeness)
                best = &preset, best_likeness = like;
    if (best == nullptr) throw bad_input(presets_folder().string() + ": no kit among the presets");
    return *best;
}

const Mic* mic_with(const Session& kit, Role role) {
    const auto found =
        std::find_if(kit.mics.begin(), kit.mics.end(), [role](const Mic& m) { return m.role == role; });
    return found != kit.mics.end() ? &*found : nullptr;
}

/// The mic whose treatment suits a mic that the kit does not have.
Role akin(Role role) {
    switch (role) {
    case Role::kick_out:
        return Role::kick_in;
    case Role::kick_in:
        return Role::kick_out;
    case Role::rack_tom_2:
        return Role::rack_tom;
    case Role::floor_tom_2:
        return Role::floor_tom;
    case Role::overhead_mono:
        return Role::overhead_left;
    default:
        return role;
    }
}

/// Level, pan and blocks of a role: as the kit has it, else like its kin there but at its own place, else as
/// the largest kit has it.
void dress(Mic& mic, const Session& kit, const Session& largest) {
    const auto* model = mic_with(kit, mic.role);
    const auto* place = mic_with(largest, mic.role);
    if (model == nullptr) model = mic_with(kit, akin(mic.role));
    if (model == nullptr) model = place;
    if (model == nullptr) return;
    mic.mix = model->mix;
    if (model->role != mic.role && place != nullptr) mic.mix.pan = place->mix.pan;
    mic.filters = model->filters, mic.gate = model->gate, mic.damp = model->damp;
}

const Session& largest_kit(const std::vector<Preset>& presets) {
    const Session* largest = nullptr;
    for (const auto& preset : presets)
        if (const auto* kit = std::get_if<Session>(&preset.content))
            if (largest == nullptr || kit->mics.size() > largest->mics.size()) largest = kit;
    return *largest; // fitting_kit has seen to it that there is one
}

double peak_db(float peak) { return dsp::db_from_gain(static_cast<double>(peak)); }

/// A threshold for a mic that was recorded softer or louder than the presets expect.
void fit_gate(dsp::GateSettings& gate, float peak) {
    if (peak_db(peak) < kSilentPeakDb) return;
    const auto& range = dsp::parameter_of(&dsp::GateSettings::threshold_db);
    gate.threshold_db =
        std::clamp(std::round(gate.threshold_db + peak_db(peak) - kPresetPeakDb), range.min, range.max);
}

std::string unused_name(const std::string& wanted, const std::vector<Mic>& mics) {
    const auto used = [&](const std::string& name) {
        return std::any_of(mics.begin(), mics.end(), [&](const Mic& mic) {
            return std::equal(mic.name.begin(), mic.name.end(), name.begin(), name.end(), [](char a, char b) {
                return std::tolower(static_cast<unsigned char>(a)) ==
                       std::tolower(static_cast<unsigned char>(b));
            });
        });
    };
    auto name = wanted;
    for (int n = 2; used(name); ++n) name = fmt::format("{} {}", wanted, n);
    return name;
}

std::string short_stem(const fs::path& name) { // a mic's name has at most 100 bytes
    auto stem = name.stem().string();
    std::size_t bytes = std::min<std::size_t>(stem.size(), 80);
    while (bytes < stem.size() && bytes > 0 && (static_cast<unsigned char>(stem[bytes]) & 0xC0u) == 0x80u)
        --bytes;
    stem.resize(bytes);
    return stem.find_first_not_of(' ') == std::string::npos ? "Mic" : stem;
}

std::vector<RoleGuess> guess(const std::vector<Recording>& recordings) {
    std::vector<NamedFile> files;
    for (const auto& r : recordings)
        files.push_back({r.name.stem().string(), r.info.channels == 2 && !r.same});
    auto guesses = guess_roles(files);
    for (std::size_t i = 0; i < guesses.size(); ++i)
        if (recordings[i].info.channels > 2 && !recordings[i].same)
            guesses[i] = {
                std::vector<Role>(static_cast<std::size_t>(recordings[i].info.channels), Role::other), true,
                "a file of many channels: give each its role in the session", true};
    return guesses;
}

/// A file's name for finding it again in another take: without its last number, which counts the takes.
std::string without_number(const fs::path& name) {
    auto stem = name.stem().string();
    const auto last = stem.find_last_of("0123456789");
    if (last != std::string::npos) {
        const auto before = stem.find_last_not_of("0123456789", last);
        stem.erase(before == std::string::npos ? 0 : before + 1,
                   last - (before == std::string::npos ? 0 : before + 1) + 1);
    }
    return stem;
}

/// The other session's file that is this one; nothing where it is not there or not the only one.
std::optional<fs::path> counterpart(const fs::path& name, const std::vector<Recording>& recordings,
                                    const std::set<fs::path>& there) {
    if (there.contains(name)) return name;
    const auto alike = [&](const fs::path& file) { return without_number(file) == without_number(name); };
    const auto here = std::count_if(recordings.begin(), recordings.end(),
                                    [&](const Recording& r) { return alike(r.name); });
    if (here != 1 || std::count_if(there.begin(), there.end(), alike) != 1) return std::nullopt;
    return *std::find_if(there.begin(), there.end(), alike);
}

/// Roles as another session has them, where a file's name tells which of its files it is. A role that was
/// guessed for a file and belongs to another one there is not given twice.
void take_roles(const Session& other, const std::vector<Recording>& recordings,
                std::vector<RoleGuess>& guesses) {
    std::set<fs::path> there;
    for (const auto& mic : other.mics) there.insert(mic.file.filename());
    std::vector<bool> told(guesses.size(), false);
    std::set<Role> given;
    for (std::size_t i = 0; i < guesses.size(); ++i) {
        const auto file = counterpart(recordings[i].name, recordings, there);
        if (!file) continue;
        RoleGuess as_there{std::vector<Role>(guesses[i].roles.size(), Role::other), true,
                           "as in the other session"};
        for (const auto& mic : other.mics)
            if (mic.file.filename() == *file && std::size_t(mic.channel) <= as_there.roles.size())
                as_there.roles[std::size_t(mic.channel - 1)] = mic.role;
        guesses[i] = as_there, told[i] = true;
        given.insert(as_there.roles.begin(), as_there.roles.end());
    }
    for (std::size_t i = 0; i < guesses.size(); ++i)
        for (auto& role : guesses[i].roles)
            if (!told[i] && role != Role::other && given.contains(role)) role = Role::other;
}

/// What a person says in place of guesses.
void take_given(const std::vector<std::string>& given, const std::vector<Recording>& recordings,
                std::vector<RoleGuess>& guesses) {
    for (const auto& words : given) {
        const auto equals = words.rfind('=');
        const auto file = words.substr(0, equals);
        const auto found = std::find_if(recordings.begin(), recordings.end(),
                                        [&](const Recording& r) { return r.name == file; });
        if (equals == std::string::npos || found == recordings.end())
            throw bad_input("--role " + words + ": " +
                            (equals == std::string::npos ? "write it as FILE=ROLE"
                                                         : file + " is not among the recordings"));
        RoleGuess told;
        std::string role;
        for (std::istringstream in(words.substr(equals + 1)); std::getline(in, role, ',');)
            told.roles.push_back(role_named("--role " + words, role));
        auto& guess = guesses[static_cast<std::size_t>(found - recordings.begin())];
        if (told.roles.size() != guess.roles.size())
            throw bad_input(fmt::format("--role {}: this file has {} mic{}, give it as many roles, by commas",
                                        words, guess.roles.size(), guess.roles.size() == 1 ? "" : "s"));
        told.note = "as you said";
        guess = told;
    }
}

/// Asks the sound of the files whose names say nothing, in the company of the others. Notes of each mic, file
/// by file; none where nothing was asked.
std::vector<std::vector<std::string>> take_heard(const fs::path& folder,
                                                 const std::vector<Recording>& recordings,
                                                 std::vector<RoleGuess>& guesses,
                                                 const std::function<void(double)>& progress) {
    std::vector<std::vector<std::string>> notes(guesses.size());
    if (std::none_of(guesses.begin(), guesses.end(), [](const RoleGuess& g) { return g.open; })) return notes;
    Session all;
    all.path = folder / "session.json";
    std::vector<bool> strange;
    for (std::size_t i = 0; i < guesses.size(); ++i)
        for (std::size_t c = 0; guesses[i].of_the_kit && c < guesses[i].roles.size(); ++c) {
            Mic mic;
            mic.role = guesses[i].roles[c], mic.file = recordings[i].name,
            mic.channel = static_cast<int>(c + 1);
            all.mics.push_back(std::move(mic));
            strange.push_back(guesses[i].strange);
        }
    const auto heard = roles_by_sound(all, strange, progress);
    auto next = heard.begin();
    for (std::size_t i = 0; i < guesses.size(); ++i)
        for (std::size_t c = 0; guesses[i].of_the_kit && c < guesses[i].roles.size(); ++c, ++next)
            if (guesses[i].open) guesses[i].roles[c] = next->role, notes[i].push_back(next->note);
    return notes;
}

/// Adds the mics of one file, still undressed but for a place in the image where two channels are left and
/// right.
/// @param heard notes of its mics by sound, in place of the guess's own; or none
void add_mics(const Recording& recording, const RoleGuess& guess, const std::vector<std::string>& heard,
              NewSession& out, std::vector<float>& peaks) {
    const auto channels = guess.roles.size();
    for (std::size_t c = 0; c < channels; ++c) {
        Mic mic;
        mic.role = guess.roles[c];
        const auto wanted = mic.role != Role::other ? mic_name(mic.role)
                            : channels > 1 ? fmt::format("{} ch {}", short_stem(recording.name), c + 1)
                                           : short_stem(recording.name);
        mic.name = unused_name(wanted, out.session.mics);
        mic.file = recording.name;
        mic.channel = static_cast<int>(c + 1);
        mic.mix.mute = !guess.of_the_kit;
        if (channels == 2 && guess.roles[0] == Role::other) mic.mix.pan = c == 0 ? -0.6 : 0.6;
        auto note = heard.empty() ? guess.note : heard[c];
        if (recording.info.channels > 1 && recording.same)
            note +=
                note.empty() ? "its channels are the same: one mic" : "; its channels are the same: one mic";
        if (!guess.of_the_kit) note += "; muted";
        out.session.mics.push_back(std::move(mic));
        out.mic_notes.push_back(std::move(note));
        peaks.push_back(recording.peaks[c]);
    }
}

void dress_all(NewSession& out, const std::vector<float>& peaks, const std::vector<Preset>& presets) {
    auto& mics = out.session.mics;
    const auto roles = roles_of(mics);
    const auto& chosen = fitting_kit(presets, roles);
    const auto& kit = std::get<Session>(chosen.content);
    out.kit = chosen.name;
    out.session.sum = kit.sum, out.session.bus = kit.bus, out.session.output = kit.output;
    const auto& largest = largest_kit(presets);
    const auto is_kick = [](Role role) { return role == Role::kick_in || role == Role::kick_out; };
    const auto kicks = roles.count(Role::kick_in) + roles.count(Role::kick_out);
    for (std::size_t i = 0; i < mics.size(); ++i) {
        auto& mic = mics[i];
        if (mic.role == Role::other) continue;
        // two kick mics share the drum between them, which a kit with one does not know
        dress(mic, is_kick(mic.role) && kicks == 2 ? largest : kit, largest);
        mic.mix.role = mic.role;
        if (is_kick(mic.role) && kicks == 1)
            for (const auto& preset : presets)
                if (const auto* filters = std::get_if<dsp::KickSettings>(&preset.content);
                    filters != nullptr && preset.name == "kick_alone")
                    mic.filters = *filters;
        if (mic.gate) fit_gate(*mic.gate, peaks[i]);
    }
}

void order_by_role(NewSession& out) {
    std::vector<std::size_t> order(out.session.mics.size());
    for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
    std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
        return out.session.mics[a].role < out.session.mics[b].role;
    });
    std::vector<Mic> mics;
    std::vector<std::string> notes;
    for (const auto i : order) mics.push_back(out.session.mics[i]), notes.push_back(out.mic_notes[i]);
    out.session.mics = std::move(mics), out.mic_notes = std::move(notes);
}

void note_rates(const std::vector<Recording>& recordings, NewSession& out) {
    out.rate_hz = recordings[0].info.rate_hz;
    for (const auto& r : recordings) out.seconds = std::max(out.seconds, r.info.seconds());
    for (const auto& r : recordings)
        if (r.info.rate_hz != out.rate_hz) {
            out.notices.push_back(fmt::format(
                "{} has {} Hz, {} has {} Hz; bounce --rate {} brings them together",
                recordings[0].name.string(), out.rate_hz, r.name.string(), r.info.rate_hz, out.rate_hz));
            return;
        }
}

} // namespace

fs::path new_session_path(const fs::path& folder, const std::string& output) {
    if (output.empty()) return folder / "session.json";
    std::error_code ignored;
    const fs::path file = output;
    const auto home = file.has_parent_path() ? file.parent_path() : fs::path(".");
    if (fs::is_directory(folder, ignored) && !fs::equivalent(home, folder, ignored))
        throw bad_input(fmt::format("-o {}: a session stands beside its recordings; {} would be right",
                                    output, (folder / file.filename()).string()));
    if (!is_session_name(file))
        throw bad_input(fmt::format("-o {}: a session's name ends in .json, and in neither .backup.json nor "
                                    ".recall.json; {} would be right",
                                    output, (folder / "song2.json").string()));
    return file;
}

NewSession propose_session(const fs::path& folder, const std::vector<Preset>& presets,
                           const std::vector<std::string>& given, const Session* other,
                           const std::function<void(double)>& progress) {
    NewSession out;
    // the peaks, then what is in it: the second reading is the longer one
    constexpr double kPeaks = 0.3;
    const auto recordings = listen_to_all(folder, out.notices, part_of(progress, 0.0, kPeaks));
    auto guesses = guess(recordings);
    if (other != nullptr) take_roles(*other, recordings, guesses);
    take_given(given, recordings, guesses);
    std::size_t mics = 0;
    for (const auto& g : guesses) mics += g.roles.size();
    if (mics > dsp::PanMix::kMaxMics)
        throw bad_input(
            fmt::format("{}: {} channels of audio, but a session takes 32 mics; move some files away",
                        folder.string(), mics));
    const auto heard = take_heard(folder, recordings, guesses, part_of(progress, kPeaks, 1.0));
    std::vector<float> peaks;
    for (std::size_t i = 0; i < recordings.size(); ++i)
        add_mics(recordings[i], guesses[i], heard[i], out, peaks);
    dress_all(out, peaks, presets);
    order_by_role(out);
    note_rates(recordings, out);
    std::error_code ignored;
    const auto title = fs::weakly_canonical(folder, ignored).filename().string();
    out.session.title = is_plain_text(title) ? title : "";
    out.session.path = folder / "session.json";
    if (other == nullptr) return out;
    auto alike = like(out.session, *other);
    out.session = std::move(alike.session);
    out.notices.insert(out.notices.end(), alike.notices.begin(), alike.notices.end());
    return out;
}

} // namespace kitfold::offline
