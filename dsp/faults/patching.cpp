#include "faults/patching.h"
#include "core/fft.h"
#include "core/median.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kExcerpt_s = 0.08;
constexpr std::size_t kMoments = 12;         // of each kind and mic
constexpr std::ptrdiff_t kApartFrames = 150; // ms; loudest moments are not one stroke twice
constexpr double kLowestHz = 30.0;
constexpr double kClearly = 1.2;         // a minor third
constexpr double kClearlyNear = 4.0 / 3; // rack tom and snare lie close; a fourth
constexpr double kLateMs = 0.3;          // 10 cm
constexpr double kSnareLateMs = 0.15;    // the heads are some 15 cm apart
constexpr double kSureConfidence = 0.7;  // of a pair that accuses a mic

/// Frequencies that a mic sounds at.
struct Pitch {
    std::size_t mic;
    Role role;
    double low_hz, high_hz;
};

/// Below it lies half the energy of a stroke. Of all strokes given, the median; 0 without one.
double pitch_hz(const Take& take, std::size_t mic, std::span<const double> times) {
    const auto length = static_cast<std::size_t>(take.rate_hz * kExcerpt_s);
    const RealFft fft(fast_fft_size(2 * length));
    std::vector<float> x(fft.size());
    std::vector<std::complex<float>> bins(fft.bins());
    std::vector<double> power(fft.bins()), found;
    for (const double time : times) {
        std::fill(x.begin(), x.end(), 0.0f);
        take.read(mic, std::llround(time * take.rate_hz), std::span(x).first(length));
        for (std::size_t n = 0; n < length; ++n) // the beginning counts most and the end is no edge
            x[n] *= float(0.5 + 0.5 * std::cos(std::numbers::pi * double(n) / double(length)));
        fft.forward(x, bins);
        const double bin_hz = take.rate_hz / double(fft.size());
        double sum = 0.0;
        for (std::size_t k = 0; k < bins.size(); ++k)
            power[k] = sum += double(k) * bin_hz < kLowestHz ? 0.0 : double(std::norm(bins[k]));
        if (!(sum > 0.0)) continue;
        found.push_back(bin_hz *
                        double(std::lower_bound(power.begin(), power.end(), 0.5 * sum) - power.begin()));
    }
    return upper_median(std::move(found));
}

/// The strongest strokes of the drum, those that are alone before the others.
std::vector<double> own_moments(std::span<const Hit> hits, Drum drum) {
    std::vector<Hit> own;
    std::copy_if(hits.begin(), hits.end(), std::back_inserter(own),
                 [=](const Hit& h) { return h.drum == drum; });
    std::stable_sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) {
        return a.alone != b.alone ? a.alone : a.strength_db > b.strength_db;
    });
    std::vector<double> times;
    for (std::size_t n = 0; n < std::min(own.size(), kMoments); ++n) times.push_back(own[n].time_s);
    return times;
}

/// Whatever it is that plays there.
std::vector<double> loudest_moments(const MicMeasure& m) {
    std::vector<float> peaks(m.frame_highest.size());
    for (std::size_t f = 0; f < peaks.size(); ++f)
        peaks[f] = std::max(m.frame_highest[f], -m.frame_lowest[f]);
    std::vector<double> times;
    while (times.size() < kMoments && !peaks.empty()) {
        const auto at = std::max_element(peaks.begin(), peaks.end());
        if (*at <= 0.0f) break;
        times.push_back(double(at - peaks.begin()) / 1'000.0);
        std::fill(at - std::min<std::ptrdiff_t>(kApartFrames, at - peaks.begin()),
                  at + std::min<std::ptrdiff_t>(kApartFrames, peaks.end() - at), 0.0f);
    }
    return times;
}

/// How high a drum is tuned among the others; 0: has no place in the order.
int place(Role role) {
    switch (own_drum(role).value_or(Drum::cymbals)) {
    case Drum::kick:
        return 1;
    case Drum::floor_tom:
    case Drum::floor_tom_2:
        return 2;
    case Drum::rack_tom:
    case Drum::rack_tom_2:
        return 3;
    case Drum::snare:
        return 4;
    case Drum::hihat:
        return 5;
    default:
        return 0;
    }
}

/// Does a mic in the place of `lower` sound clearly higher than one in the place of `higher`?
bool upside_down(Role lower, const Pitch& low, Role higher, const Pitch& high) {
    const int l = place(lower), h = place(higher);
    if (l >= h || (l == 4 && h == 5)) return false; // a hi-hat mic's loudest moments may be the snare's
    return low.low_hz > (l == 3 && h == 4 ? kClearlyNear : kClearly) * high.high_hz;
}

/// Pairs out of order when the mics `a` and `b` have each other's role.
std::size_t out_of_order(const std::vector<Pitch>& pitches, std::size_t a, std::size_t b) {
    const auto role = [&](std::size_t n) { return pitches[n == a ? b : n == b ? a : n].role; };
    std::size_t count = 0;
    for (std::size_t m = 0; m < pitches.size(); ++m)
        for (std::size_t n = 0; n < pitches.size(); ++n)
            if (m != n && upside_down(role(m), pitches[m], role(n), pitches[n])) ++count;
    return count;
}

Fault fault_of(std::size_t mic, std::size_t other, Misplaced ground, double seconds) {
    Fault fault;
    fault.kind = FaultKind::channel_order, fault.mic = mic, fault.other = other;
    fault.misplaced = ground, fault.seconds = seconds;
    return fault;
}

void add_exchange(const std::vector<Pitch>& pitches, std::vector<Fault>& out) {
    if (out_of_order(pitches, 0, 0) == 0) return;
    for (std::size_t a = 0; a < pitches.size(); ++a)
        for (std::size_t b = a + 1; b < pitches.size(); ++b) {
            if (out_of_order(pitches, a, b) > 0) continue;
            out.push_back(fault_of(pitches[a].mic, pitches[b].mic, Misplaced::by_pitch, 0.0));
            out.push_back(fault_of(pitches[b].mic, pitches[a].mic, Misplaced::by_pitch, 0.0));
            return;
        }
}

/// What arrival says about one pair.
void add_late(const Take& take, const Pair& pair, std::vector<Fault>& out) {
    if (!pair.judged() || pair.confidence < kSureConfidence) return;
    const auto a = take.mics[pair.a].role, b = take.mics[pair.b].role;
    const bool heads = a == Role::kick_in && b == Role::kick_out;
    const bool sides = a == Role::snare_top && b == Role::snare_bottom;
    if (!heads && !sides && !(own_drum(a) == pair.drum && is_overhead(b))) return;
    if (-pair.delay_ms < (sides ? kSnareLateMs : kLateMs)) return;
    const bool known = std::any_of(out.begin(), out.end(), [&](const Fault& f) { return f.mic == pair.a; });
    if (known) return;
    const auto ground = heads || sides ? Misplaced::by_arrival : Misplaced::late;
    out.push_back(fault_of(pair.a, pair.b, ground, -pair.delay_ms / 1'000.0));
    if (heads || sides) out.push_back(fault_of(pair.b, pair.a, ground, -pair.delay_ms / 1'000.0));
}

} // namespace

std::vector<Fault> misplaced_mics(const Take& take, std::span<const Hit> hits, std::span<const Pair> pairs,
                                  std::span<const MicMeasure> measures) {
    std::vector<Pitch> pitches;
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        const auto role = take.mics[m].role;
        if (place(role) == 0) continue;
        const double own = pitch_hz(take, m, own_moments(hits, *own_drum(role)));
        const double loudest = pitch_hz(take, m, loudest_moments(measures[m]));
        if (own > 0.0 && loudest > 0.0)
            pitches.push_back({m, role, std::min(own, loudest), std::max(own, loudest)});
    }
    std::vector<Fault> out;
    if (!pitches.empty()) add_exchange(pitches, out);
    if (out.empty()) // otherwise the hits stand under wrong names
        for (const auto& pair : pairs) add_late(take, pair, out);
    return out;
}

} // namespace kitfold::dsp
