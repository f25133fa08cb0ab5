#include "hits/hits.h"
#include "core/two_threads.h"
#include "core/units.h"
#include "hits/ghosts.h"
#include "hits/hit_finder.h"
#include <algorithm>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr std::ptrdiff_t kLagReach = 45; // frames: 20 ms put in on either side and the room
constexpr double kStrikeMs = 12.0;       // from the onset on, the peak is a hit's strength

std::vector<Ear> listen(std::span<const ScanFeatures> scans) {
    std::vector<std::optional<Ear>> made(scans.size());
    on_two_threads(scans.size(), [&](std::size_t m) { made[m].emplace(scans[m]); });
    std::vector<Ear> ears;
    for (auto& ear : made) ears.push_back(*std::move(ear));
    return ears;
}

/// Files may be out of step by more than the kit's size; the overheads hear everything, so they are the
/// clock.
void set_lags(std::span<const TakeMic> mics, std::span<Ear> ears) {
    std::size_t clock = 0;
    const auto before = [&](Role a, Role b) {
        return is_overhead(a) != is_overhead(b) ? is_overhead(a) : is_overhead(a) && a < b;
    };
    for (std::size_t m = 1; m < mics.size(); ++m)
        if (before(mics[m].role, mics[clock].role)) clock = m;
    std::vector<std::ptrdiff_t> lags(ears.size());
    for (std::size_t m = 0; m < ears.size(); ++m) lags[m] = common_lag(ears[clock], ears[m], kLagReach);
    for (std::size_t m = 0; m < ears.size(); ++m) ears[m].lag = lags[m];
}

/// Mics in which something steps up at all: one that is dead, or hums and nothing else, is as good as not
/// there.
std::vector<std::size_t> lively(std::span<const Ear> ears) {
    constexpr float kLeastDb = 3.0f; // of novelty; noise by itself stays below
    std::vector<std::size_t> out;
    for (std::size_t m = 0; m < ears.size(); ++m)
        for (std::ptrdiff_t f = 0; f < ears[m].frames(); ++f)
            if (ears[m].novelty(f) > kLeastDb) {
                out.push_back(m);
                break;
            }
    return out;
}

/// A take of some mics of another, which must outlive it.
Take some_of(const Take& take, const std::vector<std::size_t>& mics) {
    Take out{take.rate_hz, take.length, {}, {}};
    for (const auto m : mics) out.mics.push_back(take.mics[m]);
    out.read = [&take, mics](std::size_t mic, std::int64_t start, std::span<float> x) {
        take.read(mics[mic], start, x);
    };
    return out;
}

double peak_db(const Take& take, std::size_t mic, double time_s) {
    std::vector<float> x(static_cast<std::size_t>(kStrikeMs * take.rate_hz / 1000.0));
    take.read(mic, std::llround((time_s - 0.001) * take.rate_hz), x);
    float peak = 1e-10f;
    for (const float v : x) peak = std::max(peak, std::abs(v));
    return db_from_gain(static_cast<double>(peak));
}

ScanFeatures scan(const Take& take, std::size_t mic) {
    MicScan scan(take.rate_hz, take.seconds());
    std::vector<float> block(1u << 14);
    for (std::int64_t at = 0; at < take.length; at += std::ssize(block)) {
        const auto count = std::min(take.length - at, std::int64_t{std::ssize(block)});
        const auto part = std::span(block).first(static_cast<std::size_t>(count));
        take.read(mic, at, part);
        scan.push(part);
    }
    return scan.finish();
}

void mark_alone(std::vector<Hit>& hits) {
    constexpr double kBefore = 0.06, kAfter = 0.06; // as long as bleed listens to a stroke (bleed_share.h)
    constexpr double kCovered = 0.6;                // a crash covers a hi-hat or ride, and grows meanwhile
    for (std::size_t i = 0; i < hits.size(); ++i) {
        hits[i].alone = true;
        for (auto j = i; j-- > 0 && hits[i].time_s - hits[j].time_s < kBefore;)
            if (hits[j].drum != hits[i].drum) hits[i].alone = false;
        if (hits[i].drum == Drum::hihat || hits[i].drum == Drum::ride)
            for (auto j = i; j-- > 0 && hits[i].time_s - hits[j].time_s < kCovered;)
                if (hits[j].drum == Drum::cymbals) hits[i].alone = false;
        for (auto j = i + 1; j < hits.size() && hits[j].time_s - hits[i].time_s < kAfter; ++j)
            if (hits[j].drum != hits[i].drum) hits[i].alone = false;
    }
}

} // namespace

std::vector<Hit> find_hits(const Take& all, std::span<const ScanFeatures> scans) {
    if (scans.empty() || scans[0].frames() == 0) return {};
    auto every_ear = listen(scans);
    const auto mics = lively(every_ear);
    if (mics.empty()) return {};
    const auto take = some_of(all, mics);
    std::vector<Ear> ears;
    for (const auto m : mics) ears.push_back(std::move(every_ear[m]));
    set_lags(take.mics, ears);
    std::vector<ClockedHit> found;
    for (const auto& h : HitFinder(take, ears).find())
        found.push_back({{h.time_s, h.drum, peak_db(take, h.mic, h.time_s), false},
                         h.time_s - static_cast<double>(ears[h.mic].lag) * 1e-3});
    std::vector<double> late_s;
    for (const auto& e : ears) late_s.push_back(static_cast<double>(e.lag) * 1e-3);
    std::vector<Hit> hits;
    for (const auto& f : found) hits.push_back(f.hit);
    const auto ghosts = ghosts_under_ring(take, found, late_s);
    hits.insert(hits.end(), ghosts.begin(), ghosts.end());
    const auto sooner = [](const Hit& a, const Hit& b) { return a.time_s < b.time_s; };
    std::stable_sort(hits.begin(), hits.end(), sooner);
    mark_alone(hits);
    for (auto& h : hits) // a ring that covers a stroke is heard where it would be measured
        if (std::binary_search(ghosts.begin(), ghosts.end(), h, sooner)) h.alone = false;
    return hits;
}

std::vector<Hit> find_hits(const Take& take) {
    std::vector<ScanFeatures> scans(take.mics.size());
    on_two_threads(scans.size(), [&](std::size_t m) { scans[m] = scan(take, m); });
    return find_hits(take, scans);
}

} // namespace kitfold::dsp
