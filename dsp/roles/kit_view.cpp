#include "roles/kit_view.h"
#include "core/median.h"
#include "core/two_threads.h"
#include "hits/arrival.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {
namespace {

constexpr std::size_t kFewest = 3;          // strokes; fewer may be chance
constexpr std::size_t kSome = 12;           // of a place's strokes tell
constexpr std::ptrdiff_t kLagReach = 45;    // frames, as for hits
constexpr float kLivelyDb = 3.0f;           // of novelty; noise by itself stays below
constexpr float kNothingDb = -100.0f;       // leads by this where it hears nothing
constexpr std::array kLowHz{60.0, 3'000.0}; // what is looked at for arrivals lies above

/// Every nth, `kSome` at most or a few more.
std::vector<std::size_t> some_of(std::span<const std::size_t> all) {
    std::vector<std::size_t> out;
    for (std::size_t i = 0; i < all.size(); i += std::max<std::size_t>(all.size() / kSome, 1))
        out.push_back(all[i]);
    return out;
}

float novelty_of(const Ear& ear) {
    float sum = 0.0f;
    for (std::ptrdiff_t f = 0; f < ear.frames(); ++f)
        if (ear.novelty(f) > kLivelyDb) sum += ear.novelty(f);
    return sum;
}

float top_power(const Ear& ear, std::ptrdiff_t first, std::ptrdiff_t last) {
    float sum = 0.0f;
    for (auto f = first; f < last; ++f)
        for (auto b = kFirstTopBand; b < kScanBands; ++b) sum += ear.energy(f, b);
    return sum / static_cast<float>(last - first);
}

} // namespace

KitView::KitView(const Take& take, std::span<const ScanFeatures> scans, std::span<const std::size_t> without)
    : take_(take) {
    std::vector<std::optional<Ear>> made(scans.size());
    std::vector<float> novelty(scans.size());
    on_two_threads(scans.size(), [&](std::size_t m) {
        made[m].emplace(scans[m]);
        const bool left_out = std::find(without.begin(), without.end(), m) != without.end();
        novelty[m] = left_out ? 0.0f : novelty_of(*made[m]);
    });
    for (std::size_t m = 0; m < made.size(); ++m)
        if (novelty[m] > 0.0f) mics_.push_back(m), ears_.push_back(*std::move(made[m]));
    if (mics_.empty()) return;
    // the mic in which most steps up is the clock
    const auto most = std::max_element(novelty.begin(), novelty.end()) - novelty.begin();
    const auto clock = std::size_t(std::find(mics_.begin(), mics_.end(), std::size_t(most)) - mics_.begin());
    std::vector<std::ptrdiff_t> lags(ears_.size());
    on_two_threads(ears_.size(),
                   [&](std::size_t m) { lags[m] = common_lag(ears_[clock], ears_[m], kLagReach); });
    for (std::size_t m = 0; m < ears_.size(); ++m) ears_[m].lag = lags[m];
    events_ = gather_events(ears_, listeners(std::vector<TakeMic>(ears_.size())));
    std::vector<Print> prints;
    for (const auto& e : events_) prints.push_back(e.print);
    for (auto& p : find_places(prints))
        if (p.members.size() >= kFewest) places_.push_back(std::move(p));
    find_leads();
    find_arrivals();
}

bool KitView::shown(std::size_t mic, std::size_t place, std::size_t band) const {
    return std::isfinite(places_[place].print.variance[mic * kScanBands + band]);
}

void KitView::find_leads() {
    lead_db_.assign(mics_.size() * places(), 0.0f);
    if (few_places()) return;
    std::vector<float> over(mics_.size() * places() * kScanBands);
    const auto cell = [&](std::size_t m, std::size_t p, std::size_t b) { return at(m, p) * kScanBands + b; };
    for (std::size_t b = 0; b < kScanBands; ++b) {
        for (std::size_t p = 0; p < places(); ++p) {
            std::vector<float> all;
            for (std::size_t m = 0; m < mics_.size(); ++m) all.push_back(db(m, p, b));
            const float middle = quantile(all, 0.5);
            for (std::size_t m = 0; m < mics_.size(); ++m) over[cell(m, p, b)] = db(m, p, b) - middle;
        }
        for (std::size_t m = 0; m < mics_.size(); ++m) {
            std::vector<float> all;
            for (std::size_t p = 0; p < places(); ++p) all.push_back(over[cell(m, p, b)]);
            const float usual = quantile(all, 0.5);
            for (std::size_t p = 0; p < places(); ++p) over[cell(m, p, b)] -= usual;
        }
    }
    for (std::size_t m = 0; m < mics_.size(); ++m)
        for (std::size_t p = 0; p < places(); ++p) {
            float sum = 0.0f, count = 0.0f;
            for (std::size_t b = 0; b < kScanBands; ++b)
                if (shown(m, p, b)) sum += over[cell(m, p, b)], count += 1.0f;
            lead_db_[at(m, p)] = count > 0.0f ? sum / count : kNothingDb;
        }
}

double KitView::time_s(std::size_t mic, std::size_t event) const {
    return (double(events_[event].at) + double(ears_[mic].lag)) * 1e-3;
}

KitView::Times KitView::arrivals_ms(double low_hz) const {
    Times out(mics_.size() * places());
    on_two_threads(out.size(), [&](std::size_t n) {
        const auto m = n / places();
        for (const auto e : some_of(places_[n % places()].members)) {
            const double t = time_s(m, e);
            const auto s =
                first_arrival_s(take_, mics_[m], low_hz, t - kHeardBefore_s, t + kHeardAfter_s, INFINITY);
            out[n].push_back(s ? float(1'000.0 * (*s - 1e-3 * double(events_[e].at))) : NAN);
        }
    });
    return out;
}

void KitView::find_arrivals() {
    late_ms_.resize(mics_.size() * places());
    std::vector<std::vector<float>> all(mics_.size());
    std::vector<Times> arrivals;
    for (const double low_hz : kLowHz) {
        const auto& times = arrivals.emplace_back(arrivals_ms(low_hz));
        for (std::size_t p = 0; p < places(); ++p) {
            std::vector<float> at_ms; // by mic; NaN where most strokes don't tell
            for (std::size_t m = 0; m < mics_.size(); ++m) {
                auto found = times[at(m, p)];
                std::erase_if(found, [](float t) { return std::isnan(t); });
                at_ms.push_back(2 * found.size() >= times[at(m, p)].size() ? quantile(found, 0.5) : NAN);
            }
            float first = INFINITY;
            for (const float t : at_ms) first = std::min(first, std::isnan(t) ? INFINITY : t);
            for (std::size_t m = 0; m < mics_.size(); ++m) {
                if (std::isnan(at_ms[m])) continue;
                all[m].push_back(at_ms[m] - first);
                auto& late = late_ms_[at(m, p)];
                late = std::min(late.value_or(INFINITY), at_ms[m] - first);
            }
        }
    }
    for (auto& late : all) usually_late_ms_.push_back(quantile(late, 0.5));
    find_steps(arrivals);
}

namespace {

/// How surely two mics hear the same strokes, by the times at which one hears them after the other.
enum class Steady { unknown, no, perhaps, yes };
Steady steady(std::span<const float> a, std::span<const float> b) {
    constexpr float kSteadyMs = 0.5f;            // 17 cm: more than what is struck moves
    constexpr std::size_t kFew = 4, kEnough = 6; // of four one may be off, of six none
    std::vector<float> apart;
    for (std::size_t n = 0; n < a.size(); ++n)
        if (!std::isnan(a[n] - b[n])) apart.push_back(a[n] - b[n]);
    const auto count = apart.size();
    if (count < kFew) return Steady::unknown;
    const float usual = quantile(apart, 0.5);
    const auto near = static_cast<std::size_t>(
        std::count_if(apart.begin(), apart.end(), [=](float x) { return std::abs(x - usual) < kSteadyMs; }));
    if (4 * near < 3 * count) return Steady::no;
    return count >= kEnough && 8 * near >= 7 * count ? Steady::yes : Steady::perhaps;
}

} // namespace

void KitView::find_steps(std::span<const Times> arrivals) {
    const auto count = mics_.size();
    std::vector<std::vector<std::size_t>> with(count);
    std::vector<Steady> best(count, Steady::unknown);
    for (std::size_t m = 0; m < count; ++m)
        for (std::size_t r = 0; r < m; ++r) {
            auto both = Steady::unknown;
            for (const auto& times : arrivals)
                for (std::size_t p = 0; p < places(); ++p)
                    both = std::max(both, steady(times[at(m, p)], times[at(r, p)]));
            if (both >= Steady::perhaps) with[m].push_back(r), with[r].push_back(m);
            best[m] = std::max(best[m], both), best[r] = std::max(best[r], both);
        }
    // the kit: the mic that most are in step with, those that are, and those that are with them
    const auto most = std::max_element(with.begin(), with.end(),
                                       [](const auto& a, const auto& b) { return a.size() < b.size(); });
    std::vector<bool> of_the_kit(count, false);
    std::vector<std::size_t> next{static_cast<std::size_t>(most - with.begin())};
    while (!next.empty()) {
        const auto m = next.back();
        next.pop_back();
        if (of_the_kit[m]) continue;
        of_the_kit[m] = true;
        next.insert(next.end(), with[m].begin(), with[m].end());
    }
    for (std::size_t m = 0; m < count; ++m)
        in_step_.push_back(of_the_kit[m]                ? (best[m] == Steady::yes ? Step::yes : Step::perhaps)
                           : best[m] == Steady::unknown ? Step::perhaps
                                                        : Step::no);
}

std::vector<std::size_t> KitView::led_by(std::size_t mic) const {
    constexpr float kNearly = 0.6f; // of the most, which may be a chance of three strokes
    const auto lead = std::span(lead_db_).subspan(at(mic, 0), places());
    const float most = *std::max_element(lead.begin(), lead.end());
    std::vector<std::size_t> out;
    for (std::size_t p = 0; p < places(); ++p)
        if (lead[p] >= std::min(most, kNearly * most)) out.push_back(p);
    return out;
}

std::size_t KitView::leads_at(std::size_t mic) const {
    const auto all = led_by(mic);
    return *std::max_element(all.begin(), all.end(), [&](auto a, auto b) { return strokes(a) < strokes(b); });
}

float KitView::soonest_ms(std::size_t mic) const {
    const auto most = leads_at(mic);
    float least = INFINITY;
    for (const auto p : few_places() ? std::vector{most} : led_by(mic))
        if (2 * strokes(p) >= strokes(most)) least = std::min(least, late_ms(mic, p).value_or(INFINITY));
    return least;
}

float KitView::top_db(std::size_t mic, std::size_t place) const {
    float top = -INFINITY, low = -INFINITY;
    for (std::size_t b = 0; b < kScanBands; ++b) {
        auto& most = b < kFirstTopBand ? low : top;
        most = std::max(most, db(mic, place, b));
    }
    return top - low;
}

StrokeSound KitView::sound(std::size_t mic, std::size_t place) const {
    std::vector<std::pair<float, std::size_t>> strokes;
    for (const auto e : places_[place].members) {
        float power = 0.0f;
        for (std::size_t b = 0; b < kScanBands; ++b)
            power += from_db(events_[e].print.db[mic * kScanBands + b]);
        strokes.emplace_back(-power, e);
    }
    std::sort(strokes.begin(), strokes.end());
    std::vector<double> times;
    for (std::size_t n = 0; n < std::min(strokes.size(), kSome); ++n)
        times.push_back(time_s(mic, strokes[n].second));
    return stroke_sound(take_, mics_[mic], times);
}

std::optional<float> KitView::fall_db(std::size_t mic, std::size_t place) const {
    constexpr std::ptrdiff_t kStroke = 15, kFrom = 60, kTo = 120; // frames: middles lie 80 ms apart
    std::vector<float> falls;
    for (const auto e : places_[place].members) {
        const auto f = events_[e].frame;
        const bool alone =
            e + 1 >= events_.size() || events_[e + 1].frame > f + kTo || events_[e + 1].frame < f + kStroke;
        if (!alone) continue;
        falls.push_back(decibels(top_power(ears_[mic], f + kFrom, f + kTo)) -
                        decibels(top_power(ears_[mic], f, f + kStroke)));
    }
    return falls.size() < kFewest ? std::nullopt : std::optional(quantile(falls, 0.5));
}

float KitView::unlike_db(std::size_t a, std::size_t b) const {
    float sum = 0.0f, count = 0.0f;
    for (std::size_t band = 0; band < kScanBands; ++band) {
        std::vector<float> differences;
        for (std::size_t p = 0; p < places(); ++p)
            if (shown(a, p, band) && shown(b, p, band))
                differences.push_back(db(a, p, band) - db(b, p, band));
        const float usual = quantile(differences, 0.5);
        for (const float d : differences) sum += (d - usual) * (d - usual), count += 1.0f;
    }
    return count > 0.0f ? std::sqrt(sum / count) : INFINITY;
}

} // namespace kitfold::dsp
