#include "pairs/drum_judge.h"
#include "core/windows.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kFewestStrokes = 4; // the error of fewer is itself off by half
constexpr double kSigmas = 3.0;           // noise passes three sigma once in 370
constexpr double kThreshold = 0.05;       // of the first wave: what must stand over the noise
constexpr double kSpreadMs = 0.045; // 2 samples at 44.1 kHz: three times that is how far a figure may be off
constexpr double kSlowMs = 1.02;    // 45 samples: a wave that takes longer from 3 to 10 % has no moment
// Coefficients of the lows: against the first movement; says which way the body goes, and how near to that it
// is a toss-up; bears the first movement out.
constexpr double kContradicts = 0.1, kBody = 0.3, kMargin = 0.02, kClear = 0.4;

/// Where a mic can stand, as time after the mic that strokes are lined up on: common practice, no source.
Bounds bounds_of(Role on, Role mic) noexcept {
    // Either way round, so that two mics patched for one another show.
    if (heads_of_one_drum(on, mic)) return mic == Role::kick_out ? Bounds{-8.0, 8.0} : Bounds{-2.0, 2.0};
    if (is_overhead(on) && is_overhead(mic)) return {-4.0, 4.0};
    if (is_overhead(mic)) return {0.5, 9.0};
    if (is_room(mic)) return {-5.0, 40.0};
    return {-3.0, 9.0};
}

bool clear(const Heard& h) { return h.noise * kSigmas <= kThreshold; }

/// Standard error of a figure by the jackknife (Efron and Stein, Annals of Statistics 9(3), 1981; from
/// memory), from its values without each group.
double error(std::span<const double> without) {
    const double n = static_cast<double>(without.size());
    if (without.size() < 2) return 1e9;
    double mean = 0.0, sum = 0.0;
    for (const double v : without) mean += v / n;
    for (const double v : without) sum += (v - mean) * (v - mean);
    return std::sqrt((n - 1.0) / n * sum);
}

/// Where other drums say least. The first wave of a drum lies below some ten times its lowest mode, and
/// cymbals mostly above; these stand out above the drums. An arrival moves by a sample or two there.
DrumStrokes part_of(const DrumStrokes& all) {
    constexpr double kDrumHz = 1000.0, kSnareHz = 2000.0, kPlateHz = 4000.0;
    if (is_plate(all.drum())) return all.above(kPlateHz);
    return all.below(all.drum() == Drum::snare ? kSnareHz : kDrumHz);
}

/// The first wave of a kick or tom is below; above there is mostly noise, which moves the moment at which it
/// passes a level. A stick on a rim, and plates, begin up there.
DrumStrokes free_of_hiss(DrumStrokes all) {
    constexpr double kHissHz = 6000.0;
    return is_plate(all.drum()) || all.drum() == Drum::snare ? all : all.below(kHissHz);
}

Pair refused(Pair pair, std::string why) {
    pair.why_not = std::move(why);
    return pair;
}

/// Coefficient of two sounds at 60 to 400 Hz over 23 ms, lined up at their arrivals: the bodies of kick, toms
/// and snare, a period and more of the lowest.
double low_coefficient(const Heard& a, const Heard& b, double origin, double rate_hz) {
    constexpr double kLowHz = 60.0, kHighHz = 400.0, kSpan_s = 0.0232, kBefore_s = 0.001;
    const double step_hz = 1.0 / (4.0 * kSpan_s);
    const auto spectrum = [=](const Heard& h) {
        const double start = origin + h.wave.at - kBefore_s * rate_hz;
        const auto count = static_cast<std::ptrdiff_t>(kSpan_s * rate_hz);
        std::vector<std::complex<double>> out;
        for (double hz = kLowHz; hz < kHighHz; hz += step_hz) {
            std::complex<double> sum;
            const double turn = -2.0 * std::numbers::pi * hz / rate_hz;
            const auto first = static_cast<std::ptrdiff_t>(std::ceil(start));
            auto phase = std::polar(1.0, turn * (static_cast<double>(first) - start));
            const auto next = std::polar(1.0, turn);
            for (auto i = first; i < first + count; ++i, phase *= next) {
                if (i < 0 || i >= std::ssize(h.stack)) continue;
                const double left = 4.0 * static_cast<double>(first + count - i) / static_cast<double>(count);
                sum += raised_cosine(left) * static_cast<double>(h.stack[i]) * phase;
            }
            out.push_back(sum);
        }
        return out;
    };
    const auto x = spectrum(a), y = spectrum(b);
    double ab = 0.0, aa = 1e-30, bb = 1e-30;
    for (std::size_t k = 0; k < x.size(); ++k)
        ab += std::real(std::conj(x[k]) * y[k]), aa += std::norm(x[k]), bb += std::norm(y[k]);
    return ab / std::sqrt(aa * bb);
}

} // namespace

bool heads_of_one_drum(Role x, Role y) noexcept {
    return (x == Role::kick_in && y == Role::kick_out) || (x == Role::snare_top && y == Role::snare_bottom);
}

DrumJudge::DrumJudge(const Take& take, std::span<const Hit> hits, Drum drum, std::size_t on,
                     std::span<const std::size_t> mics)
    : take_(take), on_(on),
      mics_(mics.begin(), mics.end()), whole_{free_of_hiss(DrumStrokes(take, hits, drum, on, mics)), {}},
      bounds_(take.mics.size()) {}

std::string DrumJudge::drum_words() const { return std::string(spoken_name(whole_.strokes.drum())); }

bool DrumJudge::slow(const Heard& h) const { return h.wave.at_10 - h.wave.at_3 > 2.0 * kSlowMs * ms(); }

Bounds DrumJudge::usual(std::size_t mic) const noexcept {
    return mic == on_ ? kLinedUp : bounds_of(take_.mics[on_].role, take_.mics[mic].role);
}

std::optional<double> DrumJudge::sure_ms(std::size_t mic, Bounds bounds) const {
    if (whole_.strokes.size() < kFewestStrokes || whole_.strokes.unclipped(mic) < kFewestStrokes)
        return std::nullopt;
    const auto h = whole_.strokes.hear(mic, bounds, DrumStrokes::weights(whole_.strokes.noise(mic, bounds)));
    if (!clear(h) || slow(h) || h.wave.on_bound || error(h.at) > kSpreadMs * ms()) return std::nullopt;
    return h.wave.at / ms();
}

double DrumJudge::heard_ms(std::size_t mic) const {
    const auto weights = DrumStrokes::weights(whole_.noise[mic]);
    return whole_.strokes.hear(mic, bounds_[mic], weights).wave.at / ms();
}

void DrumJudge::set_late(std::span<const double> late_ms) {
    for (const auto m : mics_) {
        const double shift = late_ms[m] - late_ms[on_];
        const auto b = usual(m);
        bounds_[m] = {b.from_ms + shift, b.to_ms + shift};
    }
    measure_noise(whole_);
    part_.reset();
}

void DrumJudge::measure_noise(View& view) const {
    view.noise.resize(take_.mics.size());
    for (const auto m : mics_) view.noise[m] = view.strokes.noise(m, bounds_[m]);
}

Pair DrumJudge::judge(std::size_t a, std::size_t b) {
    Pair pair;
    pair.a = a, pair.b = b, pair.drum = whole_.strokes.drum(), pair.hits = whole_.strokes.size();
    const auto drum = drum_words();
    if (pair.hits == 0) return refused(pair, "no stroke of the " + drum + " to judge it by");
    if (pair.hits < kFewestStrokes)
        return refused(pair, "too few strokes of the " + drum + " to judge it by");
    const auto whole = judge(pair, whole_);
    if (whole.judged()) return whole;
    if (!part_) {
        part_.emplace(View{part_of(whole_.strokes), {}});
        measure_noise(*part_);
    }
    const auto part = judge(pair, *part_);
    return part.judged() ? part : whole;
}

Pair DrumJudge::judge(Pair pair, const View& view) const {
    std::vector<double> noise(view.strokes.size());
    for (std::size_t n = 0; n < noise.size(); ++n) noise[n] = view.noise[pair.a][n] + view.noise[pair.b][n];
    if (std::count_if(noise.begin(), noise.end(), [](double v) { return std::isfinite(v); }) <
        static_cast<std::ptrdiff_t>(kFewestStrokes))
        return refused(pair, "the strokes of the " + drum_words() + " are clipped in one or the other");
    const auto weights = DrumStrokes::weights(noise);
    settle(pair, view.strokes.hear(pair.a, bounds_[pair.a], weights),
           view.strokes.hear(pair.b, bounds_[pair.b], weights));
    return pair;
}

void DrumJudge::settle(Pair& pair, const Heard& x, const Heard& y) const {
    const auto &a = take_.mics[pair.a], &b = take_.mics[pair.b];
    std::vector<double> without;
    for (std::size_t g = 0; g < x.at.size(); ++g) without.push_back(y.at[g] - x.at[g]);
    const double spread = error(without);
    const std::array delays{y.wave.at_3 - x.wave.at_3, y.wave.at - x.wave.at, y.wave.at_10 - x.wave.at_10};
    const auto [least, most] = std::minmax_element(delays.begin(), delays.end());
    const double low = low_coefficient(x, y, static_cast<double>(whole_.strokes.origin()), take_.rate_hz);
    const bool steady = x.wave.sign == x.wave.sign_3 && y.wave.sign == y.wave.sign_3;
    const int first = steady ? x.wave.sign * y.wave.sign : 0;
    const bool contradicted = first * low < -kContradicts;
    const bool lows_say = std::abs(low) > kBody,
               close_call = contradicted && std::abs(std::abs(low) - kBody) < kMargin;
    const int way = close_call ? 0 : lows_say ? (low > 0.0 ? 1 : -1) : first;
    pair.spread_ms = spread / ms();
    pair.delay_ms = delays[1] / ms() + b.delay_ms - a.delay_ms;
    pair.opposite = way < 0;
    pair.first_movement = contradicted || std::abs(low) < kClear ? 0 : first;
    pair.why_not = doubt_words(pair, x, y, *most - *least);
    if (pair.why_not.empty() && way == 0)
        pair.why_not = "which way up they are cannot be told from the " + drum_words();
    const double doubt =
        std::max(std::max(x.noise, y.noise) * kSigmas / kThreshold, pair.spread_ms / kSpreadMs);
    pair.confidence = pair.why_not.empty() ? 1.0 - 0.25 * std::min(1.0, doubt) : 0.25;
}

std::string DrumJudge::doubt_words(const Pair& pair, const Heard& x, const Heard& y, double apart) const {
    const auto named = [&](bool in_a) { return take_.mics[in_a ? pair.a : pair.b].name; };
    const auto drum = drum_words();
    if (!clear(x) || !clear(y))
        return "noise or other drums cover the moment at which " + named(x.noise > y.noise) + " hears the " +
               drum;
    const bool a_off = x.wave.on_bound && pair.a != on_, b_off = y.wave.on_bound && pair.b != on_;
    if (a_off || b_off)
        return "no stroke of the " + drum + " begins in " + named(a_off) + " when the size of a kit allows";
    if (pair.spread_ms > kSpreadMs) return "the strokes of the " + drum + " do not agree";
    if (slow(x) || slow(y) || apart > kSlowMs * ms())
        return "the " + drum + "'s first wave rises too slowly or twice in " +
               named(x.wave.at_10 - x.wave.at_3 > y.wave.at_10 - y.wave.at_3);
    return {};
}

} // namespace kitfold::dsp
