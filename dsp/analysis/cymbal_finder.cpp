#include "analysis/cymbal_finder.h"
#include <algorithm>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr float kLeastNovelty = 2.5f; // doublings in the bright bands of all overheads
constexpr float kMargin = 1.5f; // power by which a drum's share of the overheads may exceed what is usual
constexpr float kFloorMargin = 4.0f;
constexpr float kLeastClearDb = 2.0f;
constexpr std::ptrdiff_t kSameOnset = 6; // frames in which the clearer of two steps is the hit
constexpr std::ptrdiff_t kApart = 20;    // frames
constexpr std::ptrdiff_t kAlone = 12;    // frames to the next drum
constexpr float kSilentDb = -35.0f;
constexpr float kSamePlaceDb = 4.5f; // features of one cymbal scatter by less
constexpr std::size_t kMostGroups = 4;

float decibels(float x, float re) { return 10.0f * std::log10((x + 1e-20f) / (re + 1e-20f)); }

float middle_of(std::vector<float> x) {
    if (x.empty()) return 0.0f;
    const auto at = x.begin() + std::ssize(x) / 2;
    std::nth_element(x.begin(), at, x.end());
    return *at;
}

float bright(const BandLevels& x) { return x[5] + x[6] + x[7]; }

} // namespace

CymbalFinder::CymbalFinder(std::span<const TakeMic> mics, std::span<const Ear> ears,
                           std::span<const DrumHit> drums)
    : mics_(mics), ears_(ears), drums_(drums) {
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (is_overhead(mics[m].role)) overheads_.push_back(m);
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (const auto own = own_mic(mics, static_cast<Drum>(d))) places_.push_back(*own);
}

/// How a drum's strong hits show in the overheads: usual gain, a little low, since cymbals are often played
/// along.
void CymbalFinder::learn_paths() {
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        auto& path = paths_[d];
        path.gain.assign(overheads_.size(), {});
        std::vector<const DrumHit*> strong;
        std::vector<float> strengths;
        for (const auto& h : drums_)
            if (h.drum == static_cast<Drum>(d)) strengths.push_back(h.strength_db);
        const float middle = middle_of(strengths);
        for (const auto& h : drums_)
            if (h.drum == static_cast<Drum>(d) && h.strength_db >= middle - 3.0f) strong.push_back(&h);
        if (strong.empty()) continue;
        std::vector<float> lags;
        for (const auto* h : strong) {
            std::ptrdiff_t best = 0;
            float most = 0.0f;
            for (std::ptrdiff_t lag = -4; lag <= 8; ++lag) {
                float sum = 0.0f;
                for (const auto m : overheads_) sum += ears_[m].novelty(h->frame + lag);
                if (sum > most) most = sum, best = lag;
            }
            lags.push_back(static_cast<float>(best));
        }
        path.lag = static_cast<std::ptrdiff_t>(middle_of(lags));
        for (std::size_t o = 0; o < overheads_.size(); ++o)
            for (std::size_t b = 0; b < kScanBands; ++b) {
                std::vector<float> ratios;
                for (const auto* h : strong) {
                    const auto r =
                        ears_[overheads_[o]].rise(h->frame + path.lag - 1, h->frame + path.lag + 4);
                    if (r[b] > 0.0f) ratios.push_back(r[b] / (h->level[b] + 1e-20f));
                }
                std::sort(ratios.begin(), ratios.end());
                path.gain[o][b] = ratios.empty() ? 0.0f : ratios[ratios.size() * 15 / 100];
            }
    }
}

/// What the drums alone would make an overhead step up by at `frame`.
BandLevels CymbalFinder::explained(std::size_t overhead, std::ptrdiff_t frame) const {
    BandLevels sum{};
    constexpr std::ptrdiff_t kLong = 40; // frames: more than any lag
    auto h = std::lower_bound(drums_.begin(), drums_.end(), frame - kLong,
                              [](const DrumHit& x, std::ptrdiff_t f) { return x.frame < f; });
    for (; h != drums_.end() && h->frame <= frame + kLong; ++h) {
        const auto& path = paths_[static_cast<std::size_t>(h->drum)];
        const auto ahead = h->frame + path.lag - frame; // frames until it arrives
        if (ahead < -8 || ahead > 3) continue;
        const float share =
            ahead <= 0 ? 1.0f : 1.0f - static_cast<float>(ahead) / 4.0f; // of the frames that rise() sees
        for (std::size_t b = 0; b < kScanBands; ++b) sum[b] += share * path.gain[overhead][b] * h->level[b];
    }
    return sum;
}

std::optional<CymbalFinder::Event> CymbalFinder::event_at(std::ptrdiff_t frame) const {
    Event e;
    e.frame = frame;
    std::array<float, kScanBands> clear{};
    BandLevels step{}, hidden{};
    for (std::size_t o = 0; o < overheads_.size(); ++o) {
        const Ear& ear = ears_[overheads_[o]];
        auto rise = ear.rise(frame - 1, frame + 1);
        const auto known = explained(o, frame);
        for (std::size_t b = 0; b < kScanBands; ++b) {
            step[b] += rise[b];
            hidden[b] += kMargin * known[b] + kFloorMargin * ear.floor()[b];
            rise[b] = std::max(0.0f, rise[b] - known[b]);
        }
        e.rest.push_back(rise);
    }
    for (std::size_t b = kFirstBrightBand; b < kScanBands; ++b) clear[b] = decibels(step[b], hidden[b]);
    std::sort(clear.begin() + kFirstBrightBand, clear.end());
    e.clear_db = clear[kScanBands - 2];
    if (e.clear_db < kLeastClearDb) return std::nullopt;
    return e;
}

/// Where it comes from and what it sounds like: side, level in the drums' mics, brightness, decay.
void CymbalFinder::describe(Event& e) const {
    BandLevels all{};
    for (const auto& r : e.rest)
        for (std::size_t b = 0; b < kScanBands; ++b) all[b] += r[b];
    e.alone = true;
    for (const auto& h : drums_)
        if (std::abs(h.frame - e.frame) <= kAlone && h.drum != Drum::kick) e.alone = false;
    if (overheads_.size() >= 2) {
        const float side = decibels(bright(e.rest[0]), bright(e.rest[1]));
        // Twice: places differ by less in it than it scatters by, and it is there for every event.
        for (int i = 0; i < 2; ++i) e.place.emplace_back(std::clamp(side, -20.0f, 20.0f));
    }
    for (const auto m : places_) {
        const bool busy = std::any_of(drums_.begin(), drums_.end(), [&](const DrumHit& h) {
            return std::abs(h.frame - e.frame) <= kAlone && (h.drum != Drum::kick || h.mic == m);
        });
        if (busy)
            e.place.emplace_back(std::nullopt);
        else
            e.place.emplace_back(
                std::clamp(decibels(ears_[m].rise(e.frame - 4, e.frame + 4)[6], all[6]), kSilentDb, 10.0f));
    }
    float later = 0.0f;
    for (std::ptrdiff_t f = 50; f < 70; ++f)
        for (const auto m : overheads_) later += ears_[m].energy(e.frame + f, 6) / 20.0f;
    e.decay_db = decibels(later, all[6]);
}

std::optional<std::size_t> CymbalFinder::nearest(const Event& e, float within_db) const {
    std::optional<std::size_t> best;
    float least = within_db;
    for (std::size_t g = 0; g < groups_.size(); ++g) {
        float sum = 0.0f, count = 0.0f;
        for (std::size_t i = 0; i < e.place.size(); ++i)
            if (e.place[i]) sum += std::abs(*e.place[i] - groups_[g].place[i]), count += 1.0f;
        if (count > 0.0f && sum / count < least) least = sum / count, best = g;
    }
    return best;
}

/// Leaders first, then a few rounds of means, over the events that show their place undisturbed.
void CymbalFinder::form_groups() {
    constexpr int kRounds = 5;
    const auto full = [](const Event& e) {
        return e.alone && e.clear_db > 6.0f &&
               std::count_if(e.place.begin(), e.place.end(), [](const auto& p) { return p.has_value(); }) > 0;
    };
    for (int round = 0; round < kRounds; ++round) {
        std::vector<std::vector<std::vector<float>>> values(groups_.size());
        for (auto& v : values) v.resize(events_.empty() ? 0 : events_[0].place.size());
        for (auto& e : events_) {
            if (!full(e)) continue;
            auto g = nearest(e, kSamePlaceDb);
            if (!g && round == 0) {
                Group group;
                for (const auto& p : e.place) group.place.push_back(p.value_or(kSilentDb));
                groups_.push_back(group);
                values.emplace_back(e.place.size());
                g = groups_.size() - 1;
            }
            e.group = g;
            if (!g) continue;
            for (std::size_t i = 0; i < e.place.size(); ++i)
                if (e.place[i]) values[*g][i].push_back(*e.place[i]);
        }
        for (std::size_t g = 0; g < groups_.size(); ++g) {
            groups_[g].count = values[g].empty() ? 0 : values[g][0].size();
            for (std::size_t i = 0; i < values[g].size(); ++i)
                if (!values[g][i].empty()) groups_[g].place[i] = middle_of(values[g][i]);
        }
        std::stable_sort(groups_.begin(), groups_.end(),
                         [](const Group& a, const Group& b) { return a.count > b.count; });
        if (round == 1) groups_.resize(std::min(groups_.size(), kMostGroups));
    }
    for (auto& e : events_) e.group = full(e) ? nearest(e, kSamePlaceDb) : std::nullopt;
}

/// By decay: a closed hi-hat is over in 60 ms, a ride has lost a little, a crash is still growing.
void CymbalFinder::name_groups() {
    for (std::size_t g = 0; g < groups_.size(); ++g) {
        std::vector<float> decays;
        for (const auto& e : events_)
            if (e.group == g) decays.push_back(e.decay_db);
        if (decays.size() < 2) continue;
        const float decay = middle_of(decays);
        groups_[g].first = first_to_hear(g);
        groups_[g].drum = decay < -12.0f ? Drum::hihat : decay < -1.5f ? Drum::ride : Drum::cymbals;
    }
}

/// First frame from `reach` before to 4 after `frame` in which the bright bands of `mics` reach a quarter of
/// their step; none if they don't step up clearly.
std::optional<std::ptrdiff_t> CymbalFinder::onset(std::span<const std::size_t> mics, std::ptrdiff_t frame,
                                                  std::ptrdiff_t reach) const {
    const auto level = [&](std::ptrdiff_t f) {
        float sum = 0.0f;
        for (const auto m : mics)
            for (std::size_t b = 5; b < kScanBands; ++b) sum += ears_[m].energy(f, b);
        return sum;
    };
    float before = 0.0f, most = 0.0f;
    for (auto f = frame - reach - 6; f < frame - reach; ++f) before = std::max(before, level(f));
    for (auto f = frame - reach; f <= frame + 4; ++f) most = std::max(most, level(f));
    if (most < 4.0f * before) return std::nullopt;
    auto f = frame - reach;
    while (level(f) < before + 0.25f * (most - before)) ++f;
    return f;
}

/// Earliest of all mics that show most of the group's undisturbed events.
std::ptrdiff_t CymbalFinder::first_to_hear(std::size_t group) const {
    std::ptrdiff_t earliest = ears_[overheads_[0]].lag;
    for (std::size_t m = 0; m < ears_.size(); ++m) {
        std::vector<float> offsets;
        std::size_t asked = 0;
        for (const auto& e : events_) {
            if (e.group != group) continue;
            ++asked;
            if (const auto f = onset(std::span(&m, 1), e.frame, 7))
                offsets.push_back(static_cast<float>(*f - e.frame));
        }
        if (2 * offsets.size() > asked)
            earliest = std::min(earliest, static_cast<std::ptrdiff_t>(middle_of(offsets)) + ears_[m].lag);
    }
    return earliest;
}

/// Events that a drum covers go to the group they may belong to; one that can't be placed to what was played
/// around it.
void CymbalFinder::place_rest() {
    constexpr std::ptrdiff_t kAround = 1500;
    for (std::size_t i = 0; i < events_.size(); ++i) {
        auto& e = events_[i];
        if (e.group) continue;
        if (e.alone && e.clear_db > 5.0f) e.group = nearest(e, 2.0f * kSamePlaceDb);
        if (e.group) continue;
        std::vector<std::size_t> votes(groups_.size(), 0);
        for (const auto& other : events_)
            if (other.group && other.alone && std::abs(other.frame - e.frame) < kAround)
                ++votes[*other.group];
        // Its side may still rule places out.
        for (std::size_t g = 0; g < groups_.size() && overheads_.size() >= 2 && e.clear_db > 5.0f; ++g)
            if (std::abs(*e.place[0] - groups_[g].place[0]) > kSamePlaceDb) votes[g] = 0;
        const auto most = std::max_element(votes.begin(), votes.end());
        if (most != votes.end() && *most > 0) e.group = static_cast<std::size_t>(most - votes.begin());
    }
}

std::vector<CymbalHit> CymbalFinder::find() {
    std::vector<CymbalHit> hits;
    if (overheads_.empty() || places_.empty()) return hits;
    learn_paths();
    const auto frames = peaks(ears_[overheads_[0]].frames(), 3, kLeastNovelty, [&](auto f) {
        float sum = 0.0f;
        for (const auto m : overheads_) sum += ears_[m].bright_novelty(f);
        return sum;
    });
    for (const auto f : frames) {
        auto e = event_at(f);
        if (!e) continue;
        if (!events_.empty() && f - events_.back().frame < kApart) {
            if (f - events_.back().frame > kSameOnset || e->clear_db <= events_.back().clear_db + 3.0f)
                continue;
            events_.pop_back();
        }
        e->frame = onset(overheads_, e->frame, 1).value_or(e->frame + 1);
        events_.push_back(std::move(*e));
    }
    for (auto& e : events_) describe(e);
    form_groups();
    name_groups();
    place_rest();
    for (const auto& e : events_) {
        if (!e.group || !groups_[*e.group].drum) continue;
        const Drum drum = *groups_[*e.group].drum;
        if (!own_mic(mics_, drum))
            hits.push_back({drum, e.frame, e.frame + groups_[*e.group].first,
                            overheads_[0]}); // with a mic of its own it was found there
    }
    return hits;
}

} // namespace kitfold::dsp
