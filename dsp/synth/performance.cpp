#include "synth/performance.h"
#include "synth/random.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

constexpr int kStepsPerBar = 16;

/// A person at the kit: timing that breathes, no two strokes alike.
class Drummer {
public:
    Drummer(double seconds, double tempo_bpm, std::uint64_t seed)
        : random_(seed), end_s_(seconds - 0.25), step_s_(15.0 / tempo_bpm) {}

    void strike(double at_s, Drum drum, double strength_db, bool open = false) {
        Stroke s{at_s + 0.003 * std::clamp(random_.normal(), -2.5, 2.5), drum, 0.0, 0.0, 0.0, open};
        s.strength_db = std::clamp(strength_db + 0.9 * random_.normal(), -60.0, 0.0);
        s.radius = std::clamp(home_radius(drum) + 0.06 * random_.normal(), 0.02, 0.85);
        s.angle = 0.35 * random_.normal();
        exactly(s);
    }
    void exactly(const Stroke& s) {
        if (s.time_s >= 0.0 && s.time_s < end_s_) strokes_.push_back(s);
    }

    /// Time of step `step` of the bar that begins at `now`; steps inside a bar are even.
    [[nodiscard]] double at(int step) const { return now_s_ + step * step_s_ * drift_; }
    /// The tempo wanders within some 1.5 %.
    void next_bar(int steps = kStepsPerBar) {
        now_s_ = at(steps);
        drift_ = std::clamp(1.0 + 0.7 * (drift_ - 1.0) + 0.006 * random_.normal(), 0.985, 1.015);
    }
    [[nodiscard]] bool done() const { return now_s_ >= end_s_; }
    [[nodiscard]] Random& random() { return random_; }
    [[nodiscard]] double step_s() const { return step_s_ * drift_; }
    [[nodiscard]] double end_s() const { return end_s_; }

    std::vector<Stroke> strokes() {
        std::stable_sort(strokes_.begin(), strokes_.end(),
                         [](const auto& a, const auto& b) { return a.time_s < b.time_s; });
        return std::move(strokes_);
    }

private:
    static double home_radius(Drum drum) {
        switch (drum) {
        case Drum::kick:
            return 0.12;
        case Drum::snare:
            return 0.22;
        case Drum::hihat:
            return 0.75;
        case Drum::ride:
            return 0.6;
        case Drum::cymbals:
            return 0.8;
        default:
            return 0.3;
        }
    }

    Random random_;
    double end_s_, step_s_, now_s_ = 0.4, drift_ = 1.0;
    std::vector<Stroke> strokes_;
};

void play_time(Drummer& d, int bar, int first, int last) { // hats and ride by turns, four bars each
    const bool ride = bar % 8 >= 4;
    for (int step = first; step < last; step += 2) {
        const double accent = step % 4 == 0 ? -5.0 : -10.0;
        const bool open = !ride && step == 14 && bar % 2 == 1;
        d.strike(d.at(step), ride ? Drum::ride : Drum::hihat, open ? -4.0 : accent, open);
        if (!ride && d.random().chance(0.12)) d.strike(d.at(step + 1), Drum::hihat, -16.0);
    }
}

void play_kick_and_snare(Drummer& d, int first, int last) {
    for (int step = first; step < last; ++step) {
        if (step == 0 || step == 8 || (step == 10 && d.random().chance(0.6)) ||
            (step == 7 && d.random().chance(0.3)) || (step == 3 && d.random().chance(0.15)))
            d.strike(d.at(step), Drum::kick, step % 8 == 0 ? -2.5 : -5.0);
        if (step == 4 || step == 12)
            d.strike(d.at(step), Drum::snare, -2.0);
        else if (step % 4 != 0 && d.random().chance(0.16)) // ghost notes, between everything else
            d.strike(d.at(step), Drum::snare, d.random().uniform(-26.0, -18.0));
    }
}

void play_fill(Drummer& d, int first) { // round the toms, and home
    constexpr std::array kRound{Drum::snare, Drum::rack_tom, Drum::rack_tom, Drum::floor_tom};
    const int length = kStepsPerBar - first;
    for (int step = first; step < kStepsPerBar; ++step) {
        const auto place = static_cast<std::size_t>((step - first) * 4 / length);
        if (step > first && d.random().chance(0.12)) continue;
        d.strike(d.at(step), kRound[place], (step - first) % 2 == 0 ? -3.0 : -7.0);
    }
    d.strike(d.at(first), Drum::kick, -5.0);
}

void groove(Drummer& d) {
    for (int bar = 0; !d.done(); ++bar, d.next_bar()) {
        const bool fills = bar % 4 == 3 || (bar % 4 == 1 && d.random().chance(0.5));
        const int fill_from = !fills ? kStepsPerBar : bar % 4 == 3 ? 8 : 12;
        if (bar > 0 && bar % 4 == 0) d.strike(d.at(0), Drum::cymbals, -3.0);
        play_time(d, bar, bar > 0 && bar % 4 == 0 ? 2 : 0, fill_from);
        play_kick_and_snare(d, 0, fill_from);
        if (fills) play_fill(d, fill_from);
    }
}

constexpr std::array kLineCheck{Drum::kick,  Drum::snare, Drum::rack_tom, Drum::floor_tom,
                                Drum::hihat, Drum::ride,  Drum::cymbals};

void line_check(Drummer& d, double seconds) {
    constexpr int kStrokes = 6;
    const double gap_s = std::min(2.0, (seconds - 0.6) / (kStrokes * static_cast<double>(kLineCheck.size())));
    double at_s = 0.3;
    for (const Drum drum : kLineCheck)
        for (int i = 0; i < kStrokes; ++i, at_s += gap_s) d.strike(at_s, drum, -1.0 - 3.0 * i);
}

void hard_time(Drummer& d, int bar) {
    for (int step = 0; step < kStepsPerBar; step += 2) {
        const bool crash = step == 0 && bar % 2 == 0;
        d.strike(d.at(step), crash ? Drum::cymbals : Drum::hihat,
                 crash           ? -1.0
                 : step % 4 == 0 ? -1.5
                                 : -5.0,
                 !crash && step % 8 == 6);
    }
    for (const int step : {0, 7, 10}) d.strike(d.at(step), Drum::kick, -3.0);
    for (const int step : {4, 12}) d.strike(d.at(step), Drum::snare, -0.8);
}

/// Twelve tom strokes between the beats, loud and down to 19 dB softer, rack and floor by turns.
void sparse_toms(Drummer& d) {
    constexpr std::array kStrengths{0.0, -12.0, -6.0, -19.0, -3.0, -15.0};
    constexpr int kCount = 12;
    for (int i = 0; i < kCount; ++i) {
        Stroke s{(i + 0.5 + d.random().uniform(-0.3, 0.3)) * d.end_s() / kCount,
                 i % 2 == 0 ? Drum::rack_tom : Drum::floor_tom};
        s.strength_db = kStrengths[static_cast<std::size_t>(i / 2)];
        s.radius = d.random().uniform(0.2, 0.4);
        d.exactly(s);
    }
}

void roll(Drummer& d, Drum drum, int from, int to) {
    for (int half = 2 * from; half < 2 * to; ++half) // thirty-seconds, swelling
        d.strike(d.at(0) + 0.5 * half * d.step_s(), drum,
                 -14.0 + 12.0 * (half - 2 * from) / (2.0 * (to - from)));
}

void flam(Drummer& d, double at_s, Drum first, Drum second) {
    d.exactly({at_s - 0.025, first, -9.0, 0.3, 0.2});
    d.exactly({at_s, second, -2.0, 0.25, -0.1});
}

void rolls_and_flams(Drummer& d, int bar) {
    switch (bar % 4) {
    case 1:
        roll(d, bar % 8 < 4 ? Drum::rack_tom : Drum::floor_tom, 8, 12);
        break;
    case 2:
        flam(d, d.at(6), Drum::rack_tom, Drum::rack_tom), flam(d, d.at(14), Drum::rack_tom, Drum::floor_tom);
        break;
    case 3:
        d.exactly({d.at(9), Drum::snare, -2.0, 0.2, 0.0});
        d.exactly({d.at(9), Drum::rack_tom, -4.0, 0.3, 0.0});
        break;
    default:
        d.strike(d.at(15), Drum::floor_tom, -8.0);
        break;
    }
}

} // namespace

std::vector<Stroke> perform(Style style, double seconds, double tempo_bpm, std::uint64_t seed) {
    Drummer d(seconds, tempo_bpm, stream_seed(seed, 1));
    if (style == Style::groove) groove(d);
    if (style == Style::line_check) line_check(d, seconds);
    if (style == Style::hard_sparse_toms || style == Style::hard_rolls) {
        const bool rolls = style == Style::hard_rolls;
        if (!rolls) sparse_toms(d);
        for (int bar = 0; !d.done(); ++bar, d.next_bar()) {
            hard_time(d, bar);
            if (rolls) rolls_and_flams(d, bar);
        }
    }
    return d.strokes();
}

} // namespace kitfold::dsp
