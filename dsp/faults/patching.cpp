#include "faults/patching.h"
#include "core/median.h"
#include "core/units.h"
#include "take/stroke_sound.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {
namespace {

constexpr std::size_t kMoments = 12, kFewest = 3; // strokes that speak for a mic
constexpr std::ptrdiff_t kApartFrames = 150;      // ms; loudest moments are not one stroke twice
constexpr double kSameStroke_s = 0.01;            // 3.4 m: two mics of one kit
// So measured on two recorded kits and six more snares: kicks lie at 44 to 50 Hz, toms at 109 to 181, snares
// at 131 and up, hats above 3 kHz; the brightest tom is 2.6 dB brighter than the dullest snare; snare bottoms
// are 2.7 to 13 dB brighter than their tops. So a clean mic keeps 3 dB or more away from any of these limits,
// and a minor third, except a tom from a snare, which is why these need both.
constexpr double kClearly = 1.2;
constexpr double kBrighterTomDb = 6.0, kBrighterTopDb = 2.0;
// A mic has a stroke where it reaches a fifth of what it reaches around it: under the snare the faint
// forerunner from the top is then past. So measured, bottoms are 0.36 to 2.4 ms behind their tops and a mic
// in front of the kick 6 ms behind the one in it; 0.1 ms are 3 cm, 0.3 ms 10 cm.
constexpr float kReached = 0.2f;
constexpr double kHeadsLateMs = 0.1, kLateMs = 0.3;
constexpr double kApartDb = 3.0; // twice as much of the other drums
constexpr double kSideDb = 2.0;  // 15 degrees off centre in a coincident pair of cardioids
constexpr double kSideMs = 0.1;  // 5 degrees at half a metre

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

/// A mic that has a place in the order, and what it hears.
struct Voice {
    std::size_t mic;
    Role role;
    StrokeSound own, loudest;
    std::vector<double> moments; ///< its loudest
};

/// How high a drum is tuned among the others; 0: has no place in the order. A mic in front of the kick hears
/// the whole kit, and one under the snare its wires.
int place(Role role) {
    if (role == Role::kick_out || role == Role::snare_bottom) return 0;
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

/// Do the two mics hear each other's drum, so that what is loudest in both is one and the same?
bool same_strokes(const Voice& a, const Voice& b) {
    const auto common = std::count_if(a.moments.begin(), a.moments.end(), [&](double t) {
        return std::any_of(b.moments.begin(), b.moments.end(),
                           [=](double u) { return std::abs(t - u) < kSameStroke_s; });
    });
    return 2 * std::size_t(common) >= a.moments.size();
}

/// Does a mic in the place of `lower` sound clearly higher than one in the place of `higher`?
bool upside_down(Role lower, const Voice& low, Role higher, const Voice& high) {
    const int l = place(lower), h = place(higher);
    if (l >= h || (l == 4 && h == 5) || same_strokes(low, high))
        return false; // a hi-hat mic's loudest
                      // moments may be the snare's
    if (std::min(low.own.hz, low.loudest.hz) < kClearly * std::max(high.own.hz, high.loudest.hz))
        return false;
    return h != 4 || low.own.bright_db > high.own.bright_db + kBrighterTomDb;
}

/// Pairs out of order when the mics `a` and `b` have each other's role.
std::size_t out_of_order(const std::vector<Voice>& voices, std::size_t a, std::size_t b) {
    const auto role = [&](std::size_t n) { return voices[n == a ? b : n == b ? a : n].role; };
    std::size_t count = 0;
    for (std::size_t m = 0; m < voices.size(); ++m)
        for (std::size_t n = 0; n < voices.size(); ++n)
            if (m != n && upside_down(role(m), voices[m], role(n), voices[n])) ++count;
    return count;
}

class Patching {
public:
    Patching(const Take& take, std::span<const Hit> hits, std::span<const MicMeasure> measures)
        : take_(take), hits_(hits), measures_(measures) {}

    std::vector<Fault> run(const Image& image) {
        by_pitch();
        if (faults_.empty()) between(Role::snare_top, Role::snare_bottom);
        if (faults_.empty()) between(Role::kick_in, Role::kick_out);
        if (faults_.empty()) late();
        if (faults_.empty()) by_side(image);
        return std::move(faults_);
    }

private:
    void add(std::size_t mic, std::size_t other, Misplaced ground) {
        Fault fault;
        fault.kind = FaultKind::channel_order, fault.mic = mic, fault.other = other;
        fault.misplaced = ground;
        faults_.push_back(fault);
    }

    void by_pitch() {
        std::vector<Voice> voices;
        for (std::size_t m = 0; m < take_.mics.size(); ++m) {
            const auto role = take_.mics[m].role;
            if (place(role) == 0) continue;
            Voice v{m, role, stroke_sound(take_, m, own_moments(hits_, *own_drum(role))), {}, {}};
            v.moments = loudest_moments(measures_[m]);
            v.loudest = stroke_sound(take_, m, v.moments);
            if (v.own.hz > 0.0 && v.loudest.hz > 0.0) voices.push_back(std::move(v));
        }
        if (voices.empty() || out_of_order(voices, 0, 0) == 0) return;
        for (std::size_t a = 0; a < voices.size(); ++a)
            for (std::size_t b = a + 1; b < voices.size(); ++b) {
                if (out_of_order(voices, a, b) > 0) continue;
                add(voices[a].mic, voices[b].mic, Misplaced::by_pitch);
                add(voices[b].mic, voices[a].mic, Misplaced::by_pitch);
                return;
            }
    }

    /// Two mics of one drum, `near` standing closer to what is struck.
    void between(Role near, Role far) {
        const auto a = mic_of(near), b = mic_of(far);
        if (!a || !b) return;
        const auto drum = *own_drum(near);
        const auto late_ms = later_ms(*a, *b, drum);
        if (!late_ms) return;
        if (drum == Drum::snare) {
            const auto times = own_moments(hits_, drum);
            if (*late_ms < kHeadsLateMs || stroke_sound(take_, *a, times).bright_db <
                                               stroke_sound(take_, *b, times).bright_db + kBrighterTopDb)
                return;
        } else if (*late_ms < kLateMs || more_of_others_db(*a, *b, drum).value_or(0.0) < kApartDb) {
            return;
        }
        add(*a, *b, Misplaced::by_arrival);
        add(*b, *a, Misplaced::by_arrival);
    }

    /// Names of strokes may be wrong, but a mic that is close to anything hears something before an overhead
    /// does.
    [[nodiscard]] bool never_first(std::size_t mic, std::size_t overhead) const {
        std::size_t drums = 0;
        for (std::size_t d = 0; d < kDrumCount; ++d) {
            const auto late_ms = later_ms(mic, overhead, static_cast<Drum>(d));
            if (late_ms && *late_ms < -kLateMs) return false;
            drums += late_ms ? 1 : 0;
        }
        return drums >= 2;
    }

    void late() {
        for (std::size_t m = 0; m < take_.mics.size(); ++m) {
            const auto drum = own_drum(take_.mics[m].role);
            if (!drum || own_mic(take_.mics, *drum) != m) continue;
            if (take_.mics[m].role == Role::kick_out) continue; // it may stand a metre in front of the kit
            for (std::size_t o = 0; o < take_.mics.size(); ++o) {
                if (!is_overhead(take_.mics[o].role) || later_ms(m, o, *drum).value_or(0.0) < kLateMs ||
                    !never_first(m, o))
                    continue;
                if (more_of_others_db(m, o, *drum).value_or(-kApartDb) <= -kApartDb) continue;
                add(m, o, Misplaced::late);
                break;
            }
        }
    }

    void by_side(const Image& image) {
        if (image.kind == PairKind::none) return;
        const auto& mics = take_.mics;
        const double across = mics[image.right].pan - mics[image.left].pan;
        bool left = false, right = false; // panned there and heard on the other side
        for (const auto& row : image.rows) {
            const auto own = own_mic(mics, row.drum);
            const bool coincident = image.kind == PairKind::coincident;
            const double level_db = row.judged()                ? row.level_difference_db
                                    : coincident && row.side_db ? *row.side_db
                                                                : 0.0;
            if (!own || std::abs(level_db) < kSideDb) continue;
            const double heard = across * level_db; // > 0: left
            const bool in_time =
                coincident || (std::abs(row.time_difference_ms) >= kSideMs &&
                               std::signbit(row.time_difference_ms) == std::signbit(row.level_difference_db));
            if (heard * mics[*own].pan < 0.0) return; // one at least is where it is panned
            if (heard * mics[*own].pan > 0.0 && in_time) (mics[*own].pan < 0.0 ? left : right) = true;
        }
        if (!left || !right) return;
        add(image.left, image.right, Misplaced::by_side);
        add(image.right, image.left, Misplaced::by_side);
    }

    [[nodiscard]] std::optional<std::size_t> mic_of(Role role) const {
        const auto at = std::find_if(take_.mics.begin(), take_.mics.end(),
                                     [=](const TakeMic& m) { return m.role == role; });
        return at == take_.mics.end() ? std::nullopt : std::optional(std::size_t(at - take_.mics.begin()));
    }

    /// How much later mic `a` hears the drum than mic `b`: the median over strokes.
    [[nodiscard]] std::optional<double> later_ms(std::size_t a, std::size_t b, Drum drum) const {
        std::vector<double> found;
        for (const double time : own_moments(hits_, drum))
            found.push_back(onset_ms(a, time) - onset_ms(b, time));
        if (found.size() < kFewest) return std::nullopt;
        return upper_median(std::move(found)) + take_.mics[a].delay_ms - take_.mics[b].delay_ms;
    }

    /// When a mic has the stroke, re the time it is said to be at.
    [[nodiscard]] double onset_ms(std::size_t mic, double time) const {
        constexpr double before_s = 0.01, after_s = 0.02;
        std::vector<float> x(std::size_t((before_s + after_s) * take_.rate_hz));
        take_.read(mic, std::llround((time - before_s) * take_.rate_hz), x);
        float most = 0.0f;
        for (const float v : x) most = std::max(most, std::abs(v));
        const auto first =
            std::find_if(x.begin(), x.end(), [=](float v) { return std::abs(v) >= kReached * most; });
        return 1'000.0 * (double(first - x.begin()) / take_.rate_hz - before_s);
    }

    /// Level of the other drums re this one in mic `a`, less that in mic `b`: the median over the drums.
    [[nodiscard]] std::optional<double> more_of_others_db(std::size_t a, std::size_t b, Drum drum) const {
        const auto difference_db = [&](Drum d) -> std::optional<double> {
            std::vector<double> found;
            for (const double time : own_moments(hits_, d))
                found.push_back(level_db(a, time) - level_db(b, time));
            return found.size() < kFewest ? std::nullopt : std::optional(upper_median(std::move(found)));
        };
        const auto own = difference_db(drum);
        std::vector<double> others;
        for (std::size_t d = 0; d < kDrumCount; ++d)
            if (const auto other = difference_db(static_cast<Drum>(d)); other && d != std::size_t(drum))
                others.push_back(*other);
        if (!own || others.empty()) return std::nullopt;
        return upper_median(std::move(others)) - *own;
    }

    /// Of a stroke: 50 ms, as levels are given elsewhere.
    [[nodiscard]] double level_db(std::size_t mic, double time) const {
        const auto& energy = measures_[mic].frame_energy;
        double sum = 0.0;
        for (auto f = std::max<std::int64_t>(0, std::llround(1'000.0 * time)), end = f + 50;
             f < std::min(end, std::int64_t(std::ssize(energy))); ++f)
            sum += double(energy[std::size_t(f)]);
        return db_from_power(sum, kSilentDb);
    }

    const Take& take_;
    std::span<const Hit> hits_;
    std::span<const MicMeasure> measures_;
    std::vector<Fault> faults_;
};

} // namespace

std::vector<Fault> misplaced_mics(const Take& take, std::span<const Hit> hits, const Image& image,
                                  std::span<const MicMeasure> measures) {
    return Patching(take, hits, measures).run(image);
}

} // namespace kitfold::dsp
