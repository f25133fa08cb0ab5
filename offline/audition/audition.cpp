#include "offline/audition/audition.h"
#include "dynamics/damp.h"
#include "hits/hits.h"
#include "mix/kit_mix.h"
#include "offline/audio/meters.h"
#include "offline/check/words.h"
#include "offline/session/kit_reader.h"
#include "offline/session/outputs.h"
#include "offline/session/strips.h"
#include "offline/session/take_files.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include "ring/ring_table.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

constexpr std::size_t kBlock = 8'192;
constexpr std::size_t kMostPairs = 16;
constexpr std::size_t kFewHits = 6;   // fewer leave gaps,
constexpr double kClearFallDb = 20.0; // unless they were heard to ring out
constexpr double kStrengthDb = 3.0;   // two strokes are alike within this
constexpr double kLeadS = 0.02, kLongestS = 1.5, kShortestS = 0.08, kFadeS = 0.004;
constexpr double kMatchLu = 0.05;

std::size_t mic_with(const Session& session, dsp::Role role) {
    for (std::size_t m = 0; m < session.mics.size(); ++m)
        if (session.mics[m].role == role) return m;
    std::string roles;
    for (const auto& mic : session.mics)
        if (dsp::own_drum(mic.role)) roles += (roles.empty() ? "" : ", ") + std::string(dsp::token(mic.role));
    throw bad_input(fmt::format("{}: no mic has the role {}; the close mics here are {}",
                                session.path.string(), dsp::token(role), roles.empty() ? "none" : roles));
}

/// A take, listened to.
struct Heard {
    TakeFiles files;
    std::size_t mic;
    std::vector<dsp::Hit> hits;
    std::vector<dsp::Bleed> bleed;

    Heard(const Session& session, dsp::Role role, const std::function<void(double)>& progress)
        : files(session), mic(mic_with(session, role)) {
        auto readings = files.read_all(progress);
        std::vector<dsp::ScanFeatures> scans;
        for (auto& reading : readings) scans.push_back(std::move(reading.scan));
        hits = dsp::find_hits(files.take(), scans);
        bleed = dsp::bleed_table(files.take(), hits);
    }
    [[nodiscard]] int rate_hz() const { return static_cast<int>(files.take().rate_hz); }
    [[nodiscard]] std::vector<dsp::Hit> of(dsp::Drum drum) const {
        std::vector<dsp::Hit> out;
        for (const auto& hit : hits)
            if (hit.drum == drum) out.push_back(hit);
        return out;
    }
    [[nodiscard]] dsp::RingResult ring(const dsp::Take& take, dsp::Drum drum) const {
        return dsp::ring_of(take, hits, bleed, drum, mic);
    }
    [[nodiscard]] std::vector<dsp::RingPartial> partials(const dsp::Take& take, dsp::Drum drum,
                                                         std::span<const double> hz) const {
        return dsp::partials_at(take, hits, bleed, drum, mic, hz);
    }
};

std::vector<float> whole_mic(const dsp::Take& take, std::size_t mic) {
    std::vector<float> out(static_cast<std::size_t>(take.length));
    for (std::size_t at = 0; at < out.size(); at += kBlock)
        take.read(mic, static_cast<std::int64_t>(at),
                  std::span(out).subspan(at, std::min(kBlock, out.size() - at)));
    return out;
}

/// Seconds until the next hit of any drum, at most kLongestS.
double undisturbed_s(const std::vector<dsp::Hit>& hits, double at_s) {
    for (const auto& hit : hits)
        if (hit.time_s > at_s + 0.005) return std::min(kLongestS, hit.time_s - at_s);
    return kLongestS;
}

dsp::DrumDecay decay_of(const Heard& heard, const std::vector<float>& samples, dsp::Drum drum) {
    std::vector<dsp::RingHit> hits;
    const double rate_hz = heard.files.take().rate_hz;
    for (const auto& hit : heard.of(drum)) {
        const double length = undisturbed_s(heard.hits, hit.time_s);
        if (length < kShortestS) continue;
        const auto from = static_cast<std::size_t>(std::max(0.0, hit.time_s - 0.03) * rate_hz);
        const auto to = std::min(samples.size(), static_cast<std::size_t>((hit.time_s + length) * rate_hz));
        if (to > from)
            hits.push_back({std::span(samples).subspan(from, to - from),
                            static_cast<std::size_t>(hit.time_s * rate_hz) - from});
    }
    return {heard.ring(heard.files.take(), drum), dsp::top_ring_ms(hits, rate_hz)};
}

/// The stereo submix of a session, whole; its latency taken out.
Channels kit_mix(const Session& session, const std::function<void(double)>& progress) {
    KitReader reader(session);
    dsp::KitMix mix;
    if (const auto* refused = mix.prepare(reader.rate_hz(), mix_settings(session).strips, session.sum,
                                          session.bus, session.output.level_db))
        throw bad_input(fmt::format("{}: {} must be {}", session.path.string(), refused->key,
                                    dsp::what_is_allowed(*refused)));
    const auto frames = static_cast<std::size_t>(reader.frames()), latency = mix.latency();
    Channels out(2, std::vector<float>(frames + latency + kBlock));
    std::vector<std::vector<float>> mics(session.mics.size(), std::vector<float>(kBlock));
    std::vector<float*> planes;
    for (auto& mic : mics) planes.push_back(mic.data());
    for (std::size_t at = 0; at < frames + latency; at += kBlock) {
        reader.read(planes.data(), kBlock);
        mix.process(planes.data(), &out[0][at], &out[1][at], kBlock);
        if (progress) progress(std::min(1.0, double(at) / double(frames)));
    }
    for (auto& channel : out) {
        channel.erase(channel.begin(), channel.begin() + static_cast<std::ptrdiff_t>(latency));
        channel.resize(frames);
    }
    return out;
}

StereoFigures figures_of(const Channels& sound, int rate_hz) {
    StereoMeter meter(rate_hz);
    for (std::size_t at = 0; at < sound[0].size(); at += kBlock)
        meter.add(&sound.front()[at], &sound.back()[at], std::min(kBlock, sound[0].size() - at));
    return meter.figures();
}

void turn_down(AuditionSound& sound, double db, int rate_hz) {
    const auto gain = static_cast<float>(dsp::gain_from_db(-db));
    for (auto& channel : sound.samples)
        for (auto& x : channel) x *= gain;
    sound.turned_down_db += db;
    const auto figures = figures_of(sound.samples, rate_hz);
    sound.loudness_lufs = figures.loudness_lufs, sound.peak_dbfs = figures.sample_peak_dbfs;
}

/// The louder one comes down to the softer: no peak goes up. Gating makes loudness slightly uneven, hence the
/// rounds.
void match(AuditionSound& a, AuditionSound& b, int rate_hz, const std::string& what) {
    turn_down(a, 0.0, rate_hz), turn_down(b, 0.0, rate_hz);
    if (!std::isfinite(a.loudness_lufs) || !std::isfinite(b.loudness_lufs))
        throw bad_input(what + " is too short or too soft to compare: its loudness is under -70 LUFS");
    for (int round = 0; round < 5 && std::abs(a.loudness_lufs - b.loudness_lufs) > kMatchLu; ++round) {
        const double louder = a.loudness_lufs - b.loudness_lufs;
        turn_down(louder > 0.0 ? a : b, std::abs(louder), rate_hz);
    }
}

void match_levels(AuditionResult& r) {
    match(r.open.drum, r.deadened.drum, r.rate_hz, r.mic);
    match(r.open.kit, r.deadened.kit, r.rate_hz, "the kit");
}

// ---- what came of it
// --------------------------------------------------------------------------------------------------

std::optional<double> if_seen(double ms) { return ms > 0.0 ? std::optional(ms) : std::nullopt; }

/// The same partial on the other side.
dsp::RingPartial mode_near(const dsp::RingResult& ring, double hz) {
    constexpr double kSamePitch = 0.03; // half a semitone
    for (const auto& p : ring.partials)
        if (std::abs(p.hz - hz) < kSamePitch * hz) return p;
    return {};
}

/// By the bands around the open drum's partials; where strokes that are soon cut off don't show the decay of
/// a band on both sides, by the modes.
/// @param a, b the two sides' strokes of the mic
void compare_rings(const Heard& a, const dsp::Take& open, const Heard& b, const dsp::Take& deadened,
                   AuditionResult& r) {
    std::vector<double> hz;
    for (const auto& p : r.open.ring.partials) hz.push_back(p.hz);
    const auto before = a.partials(open, r.drum, hz), after = b.partials(deadened, r.drum, hz);
    for (std::size_t i = 0; i < hz.size(); ++i) {
        auto x = before[i], y = after[i];
        if (x.hits == 0 || y.hits == 0) x = r.open.ring.partials[i], y = mode_near(r.deadened.ring, hz[i]);
        r.rings.push_back({fmt::format("{:.1f} Hz", hz[i]), hz[i], if_seen(x.ring_ms), if_seen(y.ring_ms),
                           x.judged && y.judged});
    }
    const auto &x = r.open.ring.decay, &y = r.deadened.ring.decay;
    r.rings.push_back({"first 10 dB", 0.0, if_seen(x.ring_ms), if_seen(y.ring_ms), true});
    r.rings.push_back({"-5 to -25 dB", 0.0, if_seen(x.late_ms), if_seen(y.late_ms), true});
}

/// Where Damp was to shorten it.
bool not_shortened(const AuditionResult& r, const ComparedRing& ring) {
    return r.damp && r.amount > 0.0 && ring.open_ms && ring.deadened_ms && !ring.shortened();
}

/// What learning needs, for a take that has not got it.
std::string what_to_record(dsp::Drum drum) {
    return fmt::format("Record six single strokes of {}, each left to ring out, nothing else playing.",
                       drum_words(drum));
}

/// Damp is measured by what it did: settings that shorten nothing are no settings.
void refuse_what_does_not_shorten(const AuditionResult& r, const fs::path& session) {
    constexpr double kClearAmount = 0.5; // less may shorten by less than can be told
    const bool any = std::any_of(r.rings.begin(), r.rings.end(),
                                 [](const ComparedRing& ring) { return ring.hz > 0.0 && ring.shortened(); });
    if (any || r.amount < kClearAmount) return;
    throw bad_input(
        fmt::format("{}: damp can't be learned from this take: tried on its own strokes it does not "
                    "shorten the ring of {}. {}",
                    session.string(), drum_words(r.drum), what_to_record(r.drum)));
}

// ---- one take, deadened by Damp
// -----------------------------------------------------------------------------------

double clearest_fall_db(const dsp::DampLearned& learned) {
    double most = 0.0;
    for (const auto& p : learned.partials) most = std::max(most, p.range_db);
    return most;
}

void say_what_learning_lacks(const dsp::DampLearned& learned, const dsp::RingResult& ring,
                             AuditionResult& r) {
    if (learned.hits < kFewHits && clearest_fall_db(learned) < kClearFallDb)
        r.notices.push_back(fmt::format(
            "Learned from {} of {} that soon ran into other drums: its ring times are rough, and a ring that "
            "is not in the table is left as it is. {}",
            learned.hits == 1 ? "one stroke" : fmt::format("only {} strokes", learned.hits),
            drum_words(r.drum), what_to_record(r.drum)));
    std::vector<std::string> hz;
    for (const auto& p : ring.left_open) hz.push_back(fmt::format("{:.0f}", p.hz));
    if (!hz.empty())
        r.notices.push_back(fmt::format(
            "The ring near {} Hz is left as it is: the strokes do not agree on how long it lasts.",
            fmt::join(hz, " and ")));
}

bool own_settings(const Mic& mic) { return mic.damp && mic.damp->band_count > 0; }

dsp::DampSettings settings_for(const AuditionRequest& request, const Heard& heard,
                               const std::vector<float>& raw, AuditionResult& r) {
    const auto& mic = request.open.mics[heard.mic];
    const auto decay = decay_of(heard, raw, r.drum);
    const auto learned = dsp::learn_damp(decay);
    r.open.ring = decay.ring;
    dsp::DampSettings settings = learned.settings;
    if (own_settings(mic)) {
        settings = *mic.damp;
        r.notices.emplace_back("The damp settings of the session are used.");
    } else if (!learned.why_not.empty()) {
        throw bad_input(fmt::format("{}: {} can't be learned from this take: {}. {}",
                                    request.open.path.string(), drum_words(r.drum), learned.why_not,
                                    what_to_record(r.drum)));
    } else {
        say_what_learning_lacks(learned, decay.ring, r);
    }
    r.amount = request.amount;
    if (r.amount < learned.lowest_amount) {
        r.amount = learned.lowest_amount;
        r.notices.push_back(fmt::format(
            "The noise floor allows opening up to an amount of {:.2f} only; {:.2f} was asked for.", r.amount,
            request.amount));
    }
    settings.amount = r.amount, settings.heard = dsp::Tail::deadened;
    return settings;
}

void audition_one(const AuditionRequest& request, AuditionResult& r,
                  const std::function<void(double)>& progress) {
    const Heard heard(request.open, request.role, [&](double p) { progress(0.4 * p); });
    const auto& take = heard.files.take();
    r.rate_hz = heard.rate_hz();
    for (const auto& hit : heard.of(r.drum)) r.times_s.push_back(hit.time_s);
    r.hits = r.times_s.size();
    if (r.hits == 0)
        throw bad_input(fmt::format("{}: {} is never hit in this take; choose a take in which it is played",
                                    request.open.path.string(), drum_words(r.drum)));
    auto raw = whole_mic(take, heard.mic);
    r.damp = settings_for(request, heard, raw, r);
    auto damped = raw;
    const auto damp = std::make_unique<dsp::Damp<float>>();
    if (!damp->prepare(r.rate_hz) || damp->set(*r.damp) != nullptr)
        throw bad_input(request.open.path.string() + ": damp can't run with these settings");
    damp->process(damped.data(), damped.data(), damped.size());

    auto deadened_take = take;
    deadened_take.read = [&](std::size_t mic, std::int64_t from, std::span<float> out) {
        if (mic != heard.mic) return take.read(mic, from, out);
        for (std::size_t n = 0; n < out.size(); ++n) {
            const auto at = from + static_cast<std::int64_t>(n);
            out[n] = at >= 0 && at < take.length ? damped[static_cast<std::size_t>(at)] : 0.0f;
        }
    };
    r.deadened.ring = heard.ring(deadened_take, r.drum);
    compare_rings(heard, take, heard, deadened_take, r);
    heard.files.throw_if_failed();
    if (!own_settings(request.open.mics[heard.mic])) refuse_what_does_not_shorten(r, request.open.path);
    r.open.drum.samples = {std::move(raw)};
    r.deadened.drum.samples = {damped};
    heard.files.throw_if_failed();

    Session open = request.open, deadened = request.open;
    open.mics[heard.mic].damp.reset();
    deadened.mics[heard.mic].damp = r.damp;
    r.open.kit.samples = kit_mix(open, [&](double p) { progress(0.5 + 0.25 * p); });
    r.deadened.kit.samples = kit_mix(deadened, [&](double p) { progress(0.75 + 0.25 * p); });
}

// ---- two real takes
// -----------------------------------------------------------------------------------------------

void refuse_one_take(const Session& a, const Session& b) {
    std::error_code unknown;
    if (fs::equivalent(a.path, b.path, unknown))
        throw bad_input(a.path.string() + " is given twice; --open and --deadened need a take each");
}

void refuse_unlike(const Session& a, const Session& b, int rate_a, int rate_b) {
    if (rate_a != rate_b)
        throw bad_input(fmt::format("{} is at {} Hz and {} at {} Hz; two takes must have one rate",
                                    a.path.string(), rate_a, b.path.string(), rate_b));
    const auto roles = [](const Session& s) {
        std::vector<dsp::Role> out;
        for (const auto& mic : s.mics) out.push_back(mic.role);
        std::sort(out.begin(), out.end());
        return out;
    };
    if (roles(a) != roles(b))
        throw bad_input(
            fmt::format("{} and {} have different mics; two takes must be of the same kit with the same "
                        "roles",
                        a.path.string(), b.path.string()));
}

struct HitPair {
    double a_s, b_s, length_s;
};

/// Each hit of the first take with the unused one of the second that is nearest in strength, hard ones first.
std::vector<HitPair> matched(const Heard& a, const Heard& b, dsp::Drum drum) {
    auto first = a.of(drum), second = b.of(drum);
    const auto usable = [](const Heard& heard) {
        return [&heard](const dsp::Hit& hit) { return undisturbed_s(heard.hits, hit.time_s) < kShortestS; };
    };
    std::erase_if(first, usable(a)), std::erase_if(second, usable(b));
    std::stable_sort(first.begin(), first.end(),
                     [](const auto& x, const auto& y) { return x.strength_db > y.strength_db; });
    std::vector<HitPair> out;
    for (const auto& hit : first) {
        const auto best = std::min_element(second.begin(), second.end(), [&](const auto& x, const auto& y) {
            return std::abs(x.strength_db - hit.strength_db) < std::abs(y.strength_db - hit.strength_db);
        });
        if (best == second.end() || out.size() == kMostPairs) break;
        if (std::abs(best->strength_db - hit.strength_db) > kStrengthDb) continue;
        out.push_back({hit.time_s, best->time_s,
                       std::min(undisturbed_s(a.hits, hit.time_s), undisturbed_s(b.hits, best->time_s))});
        second.erase(best);
    }
    std::sort(out.begin(), out.end(), [](const auto& x, const auto& y) { return x.a_s < y.a_s; });
    return out;
}

/// The stretches one after the other, each faded in and out; a silence between keeps the ends apart.
Channels cut(const Channels& whole, const std::vector<HitPair>& pairs, bool first, int rate_hz) {
    Channels out(whole.size());
    const auto fade = static_cast<std::size_t>(kFadeS * rate_hz),
               gap = static_cast<std::size_t>(0.25 * rate_hz);
    for (const auto& pair : pairs) {
        const auto start = static_cast<std::int64_t>(((first ? pair.a_s : pair.b_s) - kLeadS) * rate_hz);
        const auto length = static_cast<std::size_t>((pair.length_s + kLeadS - 0.01) * rate_hz);
        for (std::size_t c = 0; c < whole.size(); ++c) {
            for (std::size_t n = 0; n < length; ++n) {
                const auto at = start + static_cast<std::int64_t>(n);
                const bool there = at >= 0 && at < std::ssize(whole[c]);
                const double edge =
                    std::min({1.0, double(n) / double(fade), double(length - n) / double(fade)});
                out[c].push_back(there ? static_cast<float>(edge) * whole[c][static_cast<std::size_t>(at)]
                                       : 0.0f);
            }
            out[c].insert(out[c].end(), gap, 0.0f);
        }
    }
    return out;
}

void audition_two(const AuditionRequest& request, AuditionResult& r,
                  const std::function<void(double)>& progress) {
    refuse_one_take(request.open, *request.deadened);
    const Heard a(request.open, request.role, [&](double p) { progress(0.3 * p); });
    const Heard b(*request.deadened, request.role, [&](double p) { progress(0.3 + 0.3 * p); });
    r.rate_hz = a.rate_hz();
    refuse_unlike(request.open, *request.deadened, a.rate_hz(), b.rate_hz());
    for (const auto* heard : {&a, &b})
        if (heard->of(r.drum).empty())
            throw bad_input(fmt::format(
                "{}: {} is never hit in this take; choose a take in which it is played",
                (heard == &a ? request.open : *request.deadened).path.string(), drum_words(r.drum)));
    const auto pairs = matched(a, b, r.drum);
    if (pairs.empty())
        throw bad_input(fmt::format(
            "{} and {}: no two hits of {} are alike in strength within {:.0f} dB and ring "
            "undisturbed; play a few single strokes in both",
            request.open.path.string(), request.deadened->path.string(), drum_words(r.drum), kStrengthDb));
    r.hits = pairs.size();
    double at = kLeadS;
    for (const auto& pair : pairs) r.times_s.push_back(at), at += pair.length_s + kLeadS - 0.01 + 0.25;
    r.open.ring = a.ring(a.files.take(), r.drum), r.deadened.ring = b.ring(b.files.take(), r.drum);
    compare_rings(a, a.files.take(), b, b.files.take(), r);
    if (r.rings.back().open_ms && r.rings.back().deadened_ms && !r.rings.back().shortened())
        r.notices.emplace_back("The drum rings no shorter in the second take than in the first.");
    r.open.drum.samples = cut({whole_mic(a.files.take(), a.mic)}, pairs, true, r.rate_hz);
    r.deadened.drum.samples = cut({whole_mic(b.files.take(), b.mic)}, pairs, false, r.rate_hz);
    a.files.throw_if_failed(), b.files.throw_if_failed();
    r.open.kit.samples =
        cut(kit_mix(request.open, [&](double p) { progress(0.6 + 0.2 * p); }), pairs, true, r.rate_hz);
    r.deadened.kit.samples =
        cut(kit_mix(*request.deadened, [&](double p) { progress(0.8 + 0.2 * p); }), pairs, false, r.rate_hz);
}

// ---- what is said about it
// ----------------------------------------------------------------------------------------

void refuse_outputs(const AuditionRequest& request) {
    std::error_code ignored;
    if (fs::exists(request.folder, ignored) && !fs::is_directory(request.folder, ignored))
        throw bad_input(request.folder.string() + ": is not a folder; -o takes a folder");
    Outputs outputs;
    outputs.reads(request.open);
    if (request.deadened) outputs.reads(*request.deadened);
    for (const char* name : {"open.wav", "deadened.wav", "kit_open.wav", "kit_deadened.wav", "audition.html"})
        outputs.writes(request.folder / name, Product::audition);
}

std::string ms(const std::optional<double>& time, bool sure) {
    return time ? fmt::format("{:.0f} ms{}", *time, sure ? "" : "?") : "-";
}

dsp::Json sound_json(const AuditionSound& sound, const fs::path& file) {
    auto out = dsp::Json::object();
    out["file"] = file.string(), out["turned_down_db"] = sound.turned_down_db;
    out["loudness_lufs"] = sound.loudness_lufs, out["peak_dbfs"] = sound.peak_dbfs;
    return out;
}

} // namespace

bool ComparedRing::shortened() const { return open_ms && deadened_ms && *deadened_ms <= 0.95 * *open_ms; }

AuditionResult audition(const AuditionRequest& request, const std::function<void(double)>& progress) {
    refuse_outputs(request);
    AuditionResult r;
    const auto drum = dsp::own_drum(request.role);
    if (!drum)
        throw bad_input(
            fmt::format("--role {}: is no drum's close mic; choose one such as kick_in, snare_top or "
                        "floor_tom",
                        dsp::token(request.role)));
    r.drum = *drum, r.title = request.open.title;
    r.mic = request.open.mics[mic_with(request.open, request.role)].name;
    const std::function<void(double)> show = [&](double share) {
        if (progress) progress(share);
    };
    if (request.deadened)
        audition_two(request, r, show);
    else
        audition_one(request, r, show);
    match_levels(r);
    return r;
}

void write_audition(const AuditionResult& r, const AuditionRequest& request) {
    refuse_outputs(request);
    MadeFolder folder(request.folder);
    const std::pair<const char*, const AuditionSound*> files[] = {{"open.wav", &r.open.drum},
                                                                  {"deadened.wav", &r.deadened.drum},
                                                                  {"kit_open.wav", &r.open.kit},
                                                                  {"kit_deadened.wav", &r.deadened.kit}};
    std::vector<AudioWriter> writers;
    for (const auto& [name, sound] : files) {
        AudioFormat format;
        format.rate_hz = r.rate_hz, format.channels = static_cast<int>(sound->samples.size());
        format.frames = std::ssize(sound->samples[0]);
        format.product = Product::audition;
        auto& writer = writers.emplace_back(request.folder / name, format);
        const float* planes[] = {sound->samples.front().data(), sound->samples.back().data()};
        writer.write(planes, sound->samples[0].size());
        writer.close();
    }
    AtomicFile page(request.folder / "audition.html");
    page.write(sealed_page(audition_page(r), Product::audition));
    for (auto& writer : writers) writer.commit();
    page.commit();
    folder.keep();
}

std::string audition_sentence(const AuditionResult& r) {
    const ComparedRing *whole = nullptr, *ring = nullptr;
    for (const auto& c : r.rings) {
        if (!c.open_ms || !c.deadened_ms) continue;
        if (c.hz == 0.0 && whole == nullptr) whole = &c;
        if (c.hz > 0.0 && (ring == nullptr || *c.open_ms > *ring->open_ms)) ring = &c;
    }
    const auto times = [](const ComparedRing& c) {
        return fmt::format("{:.0f} ms, deadened {:.0f} ms", *c.open_ms, *c.deadened_ms);
    };
    auto out = drum_words(r.drum);
    out[0] = 'T';
    if (whole != nullptr) out += " rings " + times(*whole);
    if (ring != nullptr)
        out +=
            fmt::format("{} {:.0f} Hz {}", whole != nullptr ? "; at" : " rings at", ring->hz, times(*ring));
    if (whole == nullptr && ring == nullptr) out += ": how long it rings cannot be told from these strokes";
    return out + ".";
}

std::string audition_text(const AuditionResult& r, const fs::path& folder) {
    auto out = audition_sentence(r) + "\n";
    out += fmt::format("{} ({}), {} hits{}\n", r.mic, drum_words(r.drum).substr(4), r.hits,
                       r.damp ? fmt::format(", amount {:.2f}", r.amount) : " that match in both takes");
    out += "  T60           open       deadened\n";
    bool rough = false;
    for (const auto& ring : r.rings) {
        out += fmt::format("  {:<12}  {:>8}   {:>8}{}\n", ring.what, ms(ring.open_ms, ring.sure),
                           ms(ring.deadened_ms, ring.sure), not_shortened(r, ring) ? "  not shortened" : "");
        rough = rough || !ring.sure;
    }
    if (rough) out += "  ?: rough; a few single strokes left to ring out would tell\n";
    const auto level = [&](const char* what, const AuditionSide& side) {
        out += fmt::format("{}: {:.1f} LUFS, peak {:.1f} dBFS (turned down {:.1f} dB); kit {:.1f} LUFS\n",
                           what, side.drum.loudness_lufs, side.drum.peak_dbfs, side.drum.turned_down_db,
                           side.kit.loudness_lufs);
    };
    level("open", r.open), level("deadened", r.deadened);
    for (const auto& notice : r.notices) out += notice + "\n";
    return out + "Compare: " + (folder / "audition.html").string() + "\n";
}

dsp::Json audition_json(const AuditionResult& r, const fs::path& folder) {
    auto out = dsp::Json::object();
    out["kitfold_audition"] = 1, out["rate_hz"] = r.rate_hz, out["mic"] = r.mic;
    out["drum"] = std::string(dsp::drum_name(r.drum)), out["hits"] = r.hits;
    out["page"] = (folder / "audition.html").string();
    auto partials = dsp::Json::array();
    const auto or_null = [](const std::optional<double>& time) {
        return time ? dsp::Json(*time) : dsp::Json();
    };
    for (const auto& ring : r.rings) {
        if (ring.hz == 0.0) continue;
        auto row = dsp::Json::object();
        row["hz"] = ring.hz, row["open_ring_ms"] = or_null(ring.open_ms);
        row["deadened_ring_ms"] = or_null(ring.deadened_ms);
        row["sure"] = ring.sure, row["shortened"] = ring.shortened();
        partials.push_back(std::move(row));
    }
    out["partials"] = std::move(partials);
    for (const auto& [name, side] : {std::pair{"open", &r.open}, std::pair{"deadened", &r.deadened}}) {
        auto entry = dsp::Json::object();
        const auto& decay = side->ring.decay;
        entry["ring_ms"] = or_null(if_seen(decay.ring_ms)),
        entry["late_ms"] = or_null(if_seen(decay.late_ms));
        entry["drum"] = sound_json(side->drum, folder / (std::string(name) + ".wav"));
        entry["kit"] = sound_json(side->kit, folder / ("kit_" + std::string(name) + ".wav"));
        out[name] = std::move(entry);
    }
    if (r.damp) out["amount"] = r.amount, out["damp"] = dsp::to_json(*r.damp);
    out["notices"] = r.notices;
    return out;
}

} // namespace kitfold::offline
