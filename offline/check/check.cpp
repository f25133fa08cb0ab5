#include "offline/check/check.h"
#include "core/two_threads.h"
#include "core/units.h"
#include "faults/electric.h"
#include "mix/kit_mix.h"
#include "offline/check/mic_faults.h"
#include "offline/session/strips.h"
#include "offline/session/take_files.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <future>

namespace kitfold::offline {
namespace {

using dsp::Drum;
using dsp::FaultKind;

constexpr double kWorthSeconds = 40.0; // of the take, in parts spread over it
constexpr std::size_t kWorthParts = 8;

/// The lesser of two shares, reported as one.
class Share {
public:
    explicit Share(const std::function<void(double)>& to) : to_(to) {}
    void reach(double share) {
        const std::lock_guard lock(mutex_);
        if (to_) to_(share);
    }

private:
    const std::function<void(double)>& to_;
    std::mutex mutex_;
};

std::vector<float> strip_of(const dsp::MicMeasure& m, std::size_t frames) {
    std::vector<float> strip(kStripColumns, 0.0f);
    for (std::size_t f = 0; f < m.frame_highest.size(); ++f) {
        auto& column =
            strip[std::min(kStripColumns - 1, f * kStripColumns / std::max<std::size_t>(1, frames))];
        column = std::max({column, m.frame_highest[f], -m.frame_lowest[f]});
    }
    return strip;
}

void judge_mics(const TakeFiles& files, std::span<const dsp::MicMeasure> measures,
                std::span<const double> true_peaks, std::span<const std::size_t> upside_down,
                CheckResult& r) {
    const auto& take = files.take();
    r.mics.resize(take.mics.size());
    dsp::on_two_threads(r.mics.size(), [&](std::size_t m) {
        auto& mic = r.mics[m];
        const auto& measure = measures[m];
        mic.levels = dsp::mic_levels(measure, times_for(r.hits, take.mics[m].role));
        mic.true_peak_dbtp = dsp::db_from_gain(true_peaks[m], dsp::kSilentDb);
        mic.strip = strip_of(measure, std::size_t(take.seconds() * 1'000.0));
    });
    auto faults = faults_of(files, measures, r.hits);
    for (std::size_t m = 0; m < faults.size(); ++m) {
        const bool clipped = std::any_of(faults[m].begin(), faults[m].end(),
                                         [](const auto& f) { return f.kind == FaultKind::clipped; });
        r.mics[m].gain = gain_advice(measures[m], r.hits, clipped);
        r.mics[m].faults = std::move(faults[m]);
    }
    for (const auto m : upside_down)
        r.mics[m].faults.push_back({FaultKind::polarity, m, {}, 0.0, 0, 0.0, 0.0, {}});
}

/// Settings that make the mics sum better, as tried on the take.
void find_fixes(const dsp::Take& take, const dsp::PairFindings& findings, const Session& session,
                CheckResult& r) {
    auto solution = dsp::solve_kit(take, findings, gains_of(session, take.rate_hz));
    r.sums = std::move(solution.sums);
    for (const auto& fix : solution.fixes) {
        const auto& mic = take.mics[fix.mic];
        const double delay_ms = std::round((mic.delay_ms + fix.adds_ms) * 1e4) / 1e4; // 0.01 sample at 96 kHz
        r.fixes.push_back(
            {fix.mic, mic.inverted != fix.flips, delay_ms, fix.flips, fix.adds_ms > 0.0, fix.pair});
    }
}

/// Gates hear the mics as the session will delay them.
void learn_gates(const Session& session, const dsp::Take& take, CheckResult& r) {
    auto in_step = take;
    for (const auto& fix : r.fixes) in_step.mics[fix.mic].delay_ms = fix.delay_ms;
    r.kit_key = dsp::learn_kit_key(in_step, r.hits);
    r.gates = plan_kit_gates(session, r.kit_key);
}

/// The session's own strips over parts of the take, each mic measured as it goes into the sum.
void find_worth(const Session& session, const dsp::Take& take, CheckResult& r) {
    constexpr std::size_t kBlock = 8'192;
    const auto count = session.mics.size();
    dsp::KitMix mix;
    if (mix.prepare(take.rate_hz, mix_settings(session).strips, session.sum, {}, 0.0) != nullptr) return;
    dsp::WorthMeter meter(take.rate_hz, gains_of(session, take.rate_hz));
    std::vector<std::vector<float>> in(count, std::vector<float>(kBlock)), out = in;
    std::vector<float> left(kBlock), right(kBlock);
    std::vector<const float*> ins, outs;
    std::vector<float*> stems;
    for (std::size_t m = 0; m < count; ++m)
        ins.push_back(in[m].data()), outs.push_back(out[m].data()), stems.push_back(out[m].data());
    const auto wanted = std::min(take.length, std::int64_t(kWorthSeconds * take.rate_hz));
    const auto part = wanted / std::int64_t(kWorthParts), spacing = take.length / std::int64_t(kWorthParts);
    for (std::size_t p = 0; p < kWorthParts; ++p)
        for (std::int64_t at = 0; at + std::int64_t(kBlock) <= part; at += std::int64_t(kBlock)) {
            for (std::size_t m = 0; m < count; ++m) take.read(m, std::int64_t(p) * spacing + at, in[m]);
            mix.process(ins.data(), left.data(), right.data(), kBlock, stems.data());
            meter.push(outs, kBlock);
        }
    r.worth = meter.finish();
    r.loudness_lufs = meter.loudness_lufs();
}

/// A mic around a hit as a setting would play it; linear interpolation is enough for a picture.
std::vector<float> heard(const dsp::Take& take, std::size_t mic, double start_s, double seconds,
                         double step_s, bool inverted, double delay_ms) {
    std::vector<float> x(std::size_t(seconds * take.rate_hz) + 4), out;
    const double from = (start_s - delay_ms / 1'000.0) * take.rate_hz, first = std::floor(from);
    take.read(mic, std::int64_t(first), x);
    float peak = 1e-9f;
    for (double t = 0.0; t < seconds; t += step_s) {
        const double at = from - first + t * take.rate_hz;
        const auto n = std::min(std::size_t(at), x.size() - 2);
        const auto w = float(at - double(n));
        out.push_back((inverted ? -1.0f : 1.0f) * (x[n] * (1.0f - w) + x[n + 1] * w));
        peak = std::max(peak, std::abs(out.back()));
    }
    for (auto& v : out) v /= peak;
    return out;
}

bool shown_as_overlay(const std::vector<dsp::TakeMic>& mics, const dsp::Pair& pair) {
    const auto is = [&](dsp::Role a, dsp::Role b) {
        return mics[pair.a].role == a && mics[pair.b].role == b;
    };
    return is(dsp::Role::kick_in, dsp::Role::kick_out) || is(dsp::Role::kick_out, dsp::Role::kick_in) ||
           is(dsp::Role::snare_top, dsp::Role::snare_bottom) ||
           is(dsp::Role::snare_bottom, dsp::Role::snare_top);
}

/// A strong hit with nothing else near it.
const dsp::Hit* typical_hit(const std::vector<dsp::Hit>& hits, Drum drum) {
    const dsp::Hit* best = nullptr;
    const auto better = [](const dsp::Hit& a, const dsp::Hit& b) {
        return a.alone != b.alone ? a.alone : a.strength_db > b.strength_db;
    };
    for (const auto& hit : hits)
        if (hit.drum == drum && (best == nullptr || better(hit, *best))) best = &hit;
    return best;
}

void draw_overlays(const dsp::Take& take, CheckResult& r) {
    constexpr double kBefore_s = 0.003, kLength_s = 0.03, kStep_s = 0.00006;
    for (std::size_t p = 0; p < r.pairs.size(); ++p) {
        const auto& pair = r.pairs[p];
        const bool has_fix =
            std::any_of(r.fixes.begin(), r.fixes.end(), [=](const MicFix& f) { return f.pair == p; });
        if (!pair.drum || (!has_fix && !shown_as_overlay(take.mics, pair))) continue;
        const auto* hit = typical_hit(r.hits, *pair.drum);
        if (hit == nullptr) continue;
        Overlay o{p, -1'000.0 * kBefore_s, 1'000.0 * kStep_s, {}, {}, {}, {}};
        const auto look = [&](std::size_t m, bool fixed) {
            auto inverted = take.mics[m].inverted;
            auto delay_ms = take.mics[m].delay_ms;
            for (const auto& fix : r.fixes)
                if (fixed && fix.mic == m) inverted = fix.inverted, delay_ms = fix.delay_ms;
            return heard(take, m, hit->time_s - kBefore_s, kLength_s, kStep_s, inverted, delay_ms);
        };
        o.a = look(pair.a, false), o.b = look(pair.b, false);
        o.a_fixed = look(pair.a, true), o.b_fixed = look(pair.b, true);
        r.overlays.push_back(std::move(o));
    }
}

} // namespace

Session with_fixes(Session session, const std::vector<MicFix>& fixes) {
    for (const auto& fix : fixes) {
        session.mics[fix.mic].mix.polarity = fix.inverted ? dsp::Polarity::inverted : dsp::Polarity::normal;
        session.mics[fix.mic].mix.delay_ms = fix.delay_ms;
    }
    return session;
}

bool CheckResult::nothing_to_fix() const {
    return fixes.empty() &&
           std::none_of(gates.begin(), gates.end(), [](const KitGate& g) { return g.deaf; }) &&
           std::all_of(mics.begin(), mics.end(), [](const CheckedMic& m) {
               return std::all_of(m.faults.begin(), m.faults.end(),
                                  [](const auto& f) { return f.kind == FaultKind::polarity; });
           });
}

const MicFix* CheckResult::fix_of(std::size_t mic) const {
    const auto at = std::find_if(fixes.begin(), fixes.end(), [=](const MicFix& f) { return f.mic == mic; });
    return at == fixes.end() ? nullptr : &*at;
}

bool CheckResult::names_exchanged() const {
    const auto exchanged = [](const dsp::Fault& f) {
        return f.kind == FaultKind::channel_order && f.misplaced == dsp::Misplaced::by_pitch;
    };
    return std::any_of(mics.begin(), mics.end(), [&](const CheckedMic& m) {
        return std::any_of(m.faults.begin(), m.faults.end(), exchanged);
    });
}

CheckResult check(const Session& session, const std::function<void(double)>& progress) {
    TakeFiles files(session);
    Share share(progress);
    CheckResult r;
    const auto& take = files.take();
    r.from_s = session.range.from_s, r.rate_hz = take.rate_hz, r.seconds = take.seconds(),
    r.names = take.mics, r.notices = files.notices();
    auto readings = files.read_all([&](double done) { share.reach(0.5 * done); });
    std::vector<dsp::ScanFeatures> scans;
    std::vector<dsp::MicMeasure> measures;
    std::vector<double> true_peaks;
    for (auto& reading : readings) {
        scans.push_back(std::move(reading.scan));
        measures.push_back(std::move(reading.measure));
        true_peaks.push_back(reading.true_peak);
    }
    r.hits = dsp::find_hits(take, scans);
    scans.clear();
    share.reach(0.6);
    auto findings = dsp::judge_pairs(take, r.hits);
    find_fixes(take, findings, session, r);
    r.pairs = std::move(findings.pairs), r.shifted = std::move(findings.shifted);
    share.reach(0.7);
    // takes as long as all the rest together
    auto gates = std::async(std::launch::async, [&] { learn_gates(session, take, r); });
    r.bleed = dsp::bleed_table(take, r.hits);
    judge_mics(files, measures, true_peaks, findings.upside_down, r);
    share.reach(0.8);
    r.changes = dsp::changes_within(take, r.hits);
    for (auto& change : dsp::noise_changes(measures)) r.changes.push_back(std::move(change));
    r.rings = dsp::ring_table(take, r.hits, r.bleed);
    r.image = dsp::judge_image(take, r.hits);
    for (const auto& fault : dsp::misplaced_mics(take, r.hits, r.image, measures))
        r.mics[fault.mic].faults.push_back(fault);
    find_worth(with_fixes(session, r.fixes), take, r);
    draw_overlays(take, r);
    gates.get();
    files.throw_if_failed();
    share.reach(1.0);
    return r;
}

} // namespace kitfold::offline
