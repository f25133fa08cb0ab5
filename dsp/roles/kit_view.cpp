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
constexpr std::size_t kTop = 6;             // first of the two top bands
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
        for (auto b = kTop; b < kScanBands; ++b) sum += ear.energy(f, b);
    return sum / static_cast<float>(last - first);
}

} // namespace

KitView::KitView(const Take& take, std::span<const ScanFeatures> scans) : take_(take) {
    std::vector<std::optional<Ear>> made(scans.size());
    std::vector<float> novelty(scans.size());
    on_two_threads(scans.size(), [&](std::size_t m) {
        made[m].emplace(scans[m]);
        novelty[m] = novelty_of(*made[m]);
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

void KitView::find_arrivals() {
    constexpr double kBefore_s = 0.007, kAfter_s = 0.006;
    const auto count = mics_.size() * places();
    std::array<std::vector<std::optional<float>>, kLowHz.size()> at_ms;
    for (auto& v : at_ms) v.resize(count);
    on_two_threads(count, [&](std::size_t n) {
        const auto m = n / places(), p = n % places();
        const auto some = some_of(places_[p].members);
        for (std::size_t k = 0; k < kLowHz.size(); ++k) {
            std::vector<float> found;
            for (const auto e : some) {
                const double t = time_s(m, e);
                if (const auto s =
                        first_arrival_s(take_, mics_[m], kLowHz[k], t - kBefore_s, t + kAfter_s, INFINITY))
                    found.push_back(float(1'000.0 * (*s - 1e-3 * double(events_[e].at))));
            }
            if (2 * found.size() >= some.size()) at_ms[k][n] = quantile(found, 0.5);
        }
    });
    late_ms_.resize(count);
    std::vector<std::vector<float>> all(mics_.size());
    for (auto& times : at_ms)
        for (std::size_t p = 0; p < places(); ++p) {
            std::optional<float> first;
            for (std::size_t m = 0; m < mics_.size(); ++m)
                if (const auto t = times[at(m, p)]; t && (!first || *t < *first)) first = t;
            for (std::size_t m = 0; m < mics_.size(); ++m)
                if (const auto t = times[at(m, p)]) {
                    all[m].push_back(*t - *first);
                    late_ms_[at(m, p)] = std::min(late_ms_[at(m, p)].value_or(INFINITY), *t - *first);
                }
        }
    for (auto& late : all) usually_late_ms_.push_back(quantile(late, 0.5));
}

std::vector<std::size_t> KitView::led_by(std::size_t mic) const {
    constexpr float kNearly = 0.75f; // of the most
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
        auto& most = b < kTop ? low : top;
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
    constexpr std::ptrdiff_t kStroke = 15, kFrom = 60, kTo = 120;
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
