#include "pairs/pairs.h"
#include "core/units.h"
#include "pairs/arrival.h"
#include "take/spectrum_sums.h"
#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <future>
#include <numbers>
#include <set>

namespace kitfold::dsp {

namespace {

constexpr double kAfterMs = 250.0; // the low end of a hit, for the sum
constexpr double kLowHz = 200.0;
// Hits that overlap another drum are worth it: what is hit with a drum is not in time with it to the sample,
// and it takes many for snare heads to stand out from the wires, or a kick from the cymbals in an overhead.
constexpr std::size_t kMostHits = 80;
constexpr std::size_t kEnoughOfPlates = 20; // hi-hat and ride are struck alone often enough
constexpr std::size_t kFewestHits = 3;

using Complex = std::complex<float>;

bool close_pair(Role x, Role y) { // in this order
    return (x == Role::kick_in && y == Role::kick_out) || (x == Role::snare_top && y == Role::snare_bottom);
}
bool stereo_pair(Role x, Role y) {
    return (x == Role::overhead_left && y == Role::overhead_right) ||
           (x == Role::room_left && y == Role::room_right);
}

/// Power of a, of b and of their sum, in one band, for any delay and polarity of b re a.
class SumLevel {
public:
    /// @param a, b spectra of the hits, bin by bin
    SumLevel(double bin_hz, std::size_t bins, std::span<const Complex> a, std::span<const Complex> b)
        : bin_hz_(bin_hz), ab_(bins), power_(bins) {
        for (std::size_t at = 0; at < a.size(); at += bins)
            add_cross(a.subspan(at, bins), b.subspan(at, bins), ab_);
        for (const auto x : {a, b})
            for (std::size_t at = 0; at < x.size(); at += bins) add_power(x.subspan(at, bins), power_);
    }

    /// Level of a + b re the power sum, b being later by `delay_ms` than it was recorded (earlier if
    /// negative).
    [[nodiscard]] double gain_db(double delay_ms, double sign, double below_hz) const {
        double sum = 0.0, apart = 0.0;
        for (std::size_t k = 1; k < ab_.size(); ++k) {
            const double hz = static_cast<double>(k) * bin_hz_;
            if (hz > below_hz) break;
            const auto turn = std::polar(2.0 * sign, -2.0 * std::numbers::pi * hz * delay_ms / 1000.0);
            apart += power_[k];
            sum += power_[k] + std::real(std::complex<double>(ab_[k]) * turn);
        }
        return apart > 0.0 ? 10.0 * std::log10(std::max(sum, 0.0) / apart) : 0.0;
    }

private:
    double bin_hz_;
    std::vector<Complex> ab_;
    std::vector<float> power_;
};

/// Everything about the pairs that one drum can judge.
class DrumPairs {
public:
    /// @param mics that will be judged, and the drum's own
    DrumPairs(const Take& take, std::span<const Hit> hits, Drum drum, std::span<const std::size_t> mics)
        : take_(take), own_(*own_mic(take.mics, drum)),
          excerpts_(take, hits, drum, kArrivalBeforeMs, kAfterMs, kMostHits,
                    is_plate(drum) ? kEnoughOfPlates : kMostHits, mics),
          finder_(take.rate_hz), fft_(fast_fft_size(excerpts_.length())), spectra_(take.mics.size()),
          from_own_(take.mics.size()) {
        excerpts_.align(own_);
        own_source_ = finder_.source(excerpts_, own_);
    }

    [[nodiscard]] Pair judge(std::size_t a, std::size_t b) {
        Pair pair;
        pair.a = a, pair.b = b, pair.drum = excerpts_.drum(), pair.hits = excerpts_.hits();
        const TakeMic &ma = take_.mics[a], &mb = take_.mics[b];
        const auto arrival = between(a, b);
        const double set_ms = mb.delay_ms - ma.delay_ms;
        pair.delay_ms = arrival.delay_ms + set_ms;
        pair.opposite = arrival.opposite != (ma.inverted != mb.inverted);
        pair.confidence = arrival.confidence;
        pair.spread_ms = arrival.spread_ms;
        const SumLevel level(take_.rate_hz / static_cast<double>(fft_.size()), fft_.bins(), spectra(a),
                             spectra(b));
        const double now = ma.inverted != mb.inverted ? -1.0 : 1.0, then = arrival.opposite ? -1.0 : 1.0;
        pair.low_gain_before_db = level.gain_db(set_ms, now, kLowHz);
        pair.low_gain_after_db = level.gain_db(-arrival.delay_ms, then, kLowHz);
        pair.full_gain_before_db = level.gain_db(set_ms, now, take_.rate_hz);
        pair.full_gain_after_db = level.gain_db(-arrival.delay_ms, then, take_.rate_hz);
        pair.why_not = why_not(pair);
        return pair;
    }

private:
    static std::string why_not(const Pair& pair) {
        if (pair.judged()) return {};
        const std::string drum(drum_name(*pair.drum));
        if (pair.hits == 0) return "no hit of the " + drum + " to judge it by";
        if (pair.hits < kFewestHits) return "too few hits of the " + drum + " to judge it by";
        return "the hits of the " + drum + " don't agree, or one of the mics hardly hears it";
    }

    /// Of all hits in a mic, as loud as the session has it.
    std::span<const Complex> spectra(std::size_t mic) {
        auto& all = spectra_[mic];
        if (!all.empty()) return all;
        all.resize(excerpts_.hits() * fft_.bins());
        const auto gain = static_cast<float>(gain_from_db(take_.mics[mic].level_db));
        std::vector<float> x(fft_.size());
        for (std::size_t n = 0; n < excerpts_.hits(); ++n) {
            const auto in = excerpts_.of(mic, n);
            std::transform(in.begin(), in.end(), x.begin(), [=](float v) { return gain * v; });
            fft_.forward(x, std::span(all).subspan(n * fft_.bins(), fft_.bins()));
        }
        return all;
    }

    const FirstArrival& from_own(std::size_t mic) {
        if (!from_own_[mic]) from_own_[mic] = finder_.find(own_source_, mic);
        return *from_own_[mic];
    }

    FirstArrival between(std::size_t a, std::size_t b) {
        if (a == own_) return from_own(b);
        const auto to_a = from_own(a);
        if (!other_ || other_->first != a) other_.emplace(a, finder_.source(excerpts_, a, to_a.delay_ms));
        auto direct = finder_.find(other_->second, b);
        // The drum's own mic hears both arrivals best, so it can confirm the direct look or stand in for it.
        const auto to_b = from_own(b);
        FirstArrival by_own = to_b;
        by_own.delay_ms -= to_a.delay_ms;
        by_own.opposite = to_b.opposite != to_a.opposite;
        by_own.confidence = std::min(to_a.confidence, to_b.confidence);
        const bool confirmed =
            std::abs(by_own.delay_ms - direct.delay_ms) < 0.1 && by_own.opposite == direct.opposite;
        if (by_own.confidence > 0.85 * direct.confidence) direct = by_own;
        if (!confirmed) direct.confidence *= 0.8;
        return direct;
    }

    const Take& take_;
    std::size_t own_;
    DrumExcerpts excerpts_;
    ArrivalFinder finder_;
    RealFft fft_;
    std::vector<std::vector<Complex>> spectra_; ///< by mic
    ArrivalFinder::Source own_source_;
    std::optional<std::pair<std::size_t, ArrivalFinder::Source>> other_; ///< the last that was compared
    std::vector<std::optional<FirstArrival>> from_own_;
};

/// Pairs of mics that drum `drum` has to judge.
std::vector<std::pair<std::size_t, std::size_t>> pairs_for(std::span<const TakeMic> mics, Drum drum) {
    std::vector<std::pair<std::size_t, std::size_t>> out;
    for (std::size_t a = 0; a < mics.size(); ++a)
        for (std::size_t b = 0; b < mics.size(); ++b) {
            const Role x = mics[a].role, y = mics[b].role;
            const bool own = own_drum(x) == drum;
            if ((own && (close_pair(x, y) || is_overhead(y))) || stereo_pair(x, y)) out.emplace_back(a, b);
        }
    return out;
}

std::vector<Pair> judge_drum(const Take& take, std::span<const Hit> hits, Drum drum) {
    std::vector<Pair> out;
    const auto pairs = pairs_for(take.mics, drum);
    std::set<std::size_t> heard{*own_mic(take.mics, drum)};
    for (const auto& [a, b] : pairs) heard.insert(a), heard.insert(b);
    DrumPairs judge(take, hits, drum, std::vector(heard.begin(), heard.end()));
    for (const auto& [a, b] : pairs) out.push_back(judge.judge(a, b));
    return out;
}

/// A stereo pair is judged on every drum that has a mic; the surest stays.
void keep_surest(std::vector<Pair>& pairs, std::span<const TakeMic> mics) {
    const auto surer = [](const Pair& x, const Pair& y) { return x.confidence > y.confidence; };
    std::vector<Pair> kept;
    for (auto& pair : pairs) {
        const auto same = std::find_if(kept.begin(), kept.end(), [&](const Pair& k) {
            return k.a == pair.a && k.b == pair.b && stereo_pair(mics[k.a].role, mics[k.b].role);
        });
        if (same == kept.end())
            kept.push_back(std::move(pair));
        else if (surer(pair, *same))
            *same = std::move(pair);
    }
    pairs = std::move(kept);
}

/// Stereo pairs of a take in which no drum has a mic of its own.
void add_unjudged(std::vector<Pair>& pairs, std::span<const TakeMic> mics) {
    for (std::size_t a = 0; a < mics.size(); ++a)
        for (std::size_t b = 0; b < mics.size(); ++b) {
            if (!stereo_pair(mics[a].role, mics[b].role)) continue;
            if (std::any_of(pairs.begin(), pairs.end(), [&](const Pair& p) { return p.a == a && p.b == b; }))
                continue;
            Pair pair;
            pair.a = a, pair.b = b, pair.why_not = "no close mic whose drum both hear";
            pairs.push_back(std::move(pair));
        }
}

} // namespace

bool Pair::judged() const noexcept { return confidence >= kJudgedConfidence; }

std::vector<Pair> judge_pairs(const Take& take, std::span<const Hit> hits) {
    // Snare and kick first: they are the loudest, and stereo pairs keep the first among equals.
    constexpr std::array kOrder{Drum::kick,      Drum::snare,       Drum::rack_tom, Drum::rack_tom_2,
                                Drum::floor_tom, Drum::floor_tom_2, Drum::hihat,    Drum::ride};
    std::array<std::vector<Pair>, kOrder.size()> judged;
    std::atomic<std::size_t> next{0};
    const auto work = [&] {
        for (std::size_t n; (n = next.fetch_add(1)) < kOrder.size();)
            if (own_mic(take.mics, kOrder[n])) judged[n] = judge_drum(take, hits, kOrder[n]);
    };
    auto half = std::async(std::launch::async, work);
    work();
    half.get();
    std::vector<Pair> pairs;
    for (auto& of_drum : judged) std::move(of_drum.begin(), of_drum.end(), std::back_inserter(pairs));
    keep_surest(pairs, take.mics);
    add_unjudged(pairs, take.mics);
    return pairs;
}

} // namespace kitfold::dsp
