#include "analysis/hit_finder.h"
#include <algorithm>
#include <cmath>
#include <future>
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr int kRounds = 3;
constexpr std::ptrdiff_t kHitApart = 18; // frames: nearer than that is one hit
constexpr float kSoftestDb = 30.0f;      // under the drum's median

float decibels(float power) { return 10.0f * std::log10(power + 1e-16f); }

float middle_of(std::vector<float> x) {
    if (x.empty()) return 0.0f;
    const auto at = x.begin() + std::ssize(x) / 2;
    std::nth_element(x.begin(), at, x.end());
    return *at;
}

} // namespace

HitFinder::HitFinder(std::span<const TakeMic> mics, std::span<const Ear> ears)
    : ears_(ears), who_(listeners(mics)), events_(gather_events(ears, who_)), model_({}) {}

void HitFinder::explain_all() {
    parts_.assign(events_.size(), {});
    const auto half = [&](std::size_t first) {
        for (auto i = first; i < events_.size(); i += 2) parts_[i] = model_.explain(events_[i]);
    };
    auto other = std::async(std::launch::async, half, 1);
    half(0);
    other.get();
}

/// First frame in which two of the channels that the part rules reach a quarter of their step; places are
/// listeners.
std::optional<std::ptrdiff_t> HitFinder::onset(const HitEvent& event, const Part& part,
                                               std::span<const std::size_t> places) const {
    std::vector<std::ptrdiff_t> reached;
    for (const float least_share : {0.85f, 0.5f}) {
        for (const auto m : places) {
            const Ear& ear = ears_[who_.mics[m]];
            const auto past = ear.past(event.frame - 5);
            for (std::size_t b = 1; b < kScanBands; ++b) {
                const auto c = m * kScanBands + b;
                if (event.step[c] < 2.0f * event.hidden[c] || part.share[c] < least_share) continue;
                for (auto f = event.frame - 7; f <= event.frame + 6; ++f)
                    if (ear.energy(f, b) - 1.26f * past[b] >= (b < 4 ? 0.25f : 0.5f) * event.step[c]) {
                        reached.push_back(f);
                        break;
                    }
            }
        }
        if (reached.size() >= 2) break;
    }
    if (reached.empty()) return std::nullopt;
    const auto nth = reached.begin() + std::min<std::ptrdiff_t>(std::ssize(reached) / 4, 3);
    std::nth_element(reached.begin(), nth, reached.end());
    return *nth;
}

/// Strongest first; near a hit only what is a hit of its own: the ring of a drum beats for a while.
std::vector<HitFinder::Stroke> HitFinder::strokes_of(Drum drum) const {
    std::vector<Stroke> all;
    for (std::size_t i = 0; i < events_.size(); ++i)
        for (const auto& p : parts_[i]) {
            const auto& source = model_.sources()[p.source];
            if (source.drum != drum) continue;
            const auto f = source.own ? onset(events_[i], p, std::span(&*source.own, 1))
                                      : onset(events_[i], p, who_.overheads);
            all.push_back({p.source, f.value_or(events_[i].frame), decibels(p.level)});
        }
    std::stable_sort(all.begin(), all.end(),
                     [](const Stroke& a, const Stroke& b) { return a.strength_db > b.strength_db; });
    std::vector<Stroke> kept;
    for (const auto& s : all) {
        bool own = true;
        for (auto& k : kept) {
            const auto after = s.frame - k.frame;
            const float under = k.strength_db - s.strength_db;
            if (std::abs(after) < kHitApart) {
                own = false;
                if (after < -2 && under < 8.0f)
                    k.frame = s.frame; // the earlier of two as strong is the attack
                break;
            }
            if ((is_plate(drum) && after > 0 && after < 30 && under > 3.0f) ||
                (after > 0 && after < 45 && under > 8.0f) || (after >= 45 && after < 80 && under > 16.0f))
                own = false;
            if (!own) break;
        }
        if (own) kept.push_back(s);
    }
    return kept;
}

/// Earliest of all mics that show most of a source's hits, as frames from the overheads' common clock to that
/// mic's file.
std::ptrdiff_t HitFinder::first_to_hear(std::size_t source) const {
    std::ptrdiff_t earliest = ears_[who_.mics[who_.overheads[0]]].lag;
    for (std::size_t m = 0; m < who_.mics.size(); ++m) {
        std::vector<float> offsets;
        std::size_t asked = 0;
        for (std::size_t i = 0; i < events_.size(); ++i)
            for (const auto& p : parts_[i]) {
                if (p.source != source) continue;
                const auto above = onset(events_[i], p, who_.overheads);
                if (!above) continue;
                ++asked;
                if (const auto f = onset(events_[i], p, std::span(&m, 1)))
                    offsets.push_back(static_cast<float>(*f - *above));
            }
        if (2 * offsets.size() > asked)
            earliest = std::min(earliest, static_cast<std::ptrdiff_t>(std::lround(middle_of(offsets))) +
                                              ears_[who_.mics[m]].lag);
    }
    return earliest;
}

std::vector<FoundHit> HitFinder::find() {
    std::vector<FoundHit> hits;
    if (events_.empty()) return hits;
    auto ideas = own_sources(events_, who_);
    separate(ideas, events_);
    for (auto& i : free_sources(events_, ears_, who_, ideas))
        if (std::none_of(who_.own.begin(), who_.own.end(),
                         [&](const auto& o) { return o.first == i.source.drum; }))
            ideas.push_back(std::move(i));
    separate(ideas, events_);
    keep_below_overheads(ideas, who_);
    model_ = HitModel(sources_of(ideas));
    for (int round = 0; round < kRounds; ++round) {
        if (round > 0) model_.learn(events_, parts_);
        explain_all();
    }
    std::vector<std::ptrdiff_t> first(model_.sources().size());
    for (std::size_t s = 0; s < first.size(); ++s)
        if (!model_.sources()[s].own) first[s] = first_to_hear(s);
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        const auto strokes = strokes_of(static_cast<Drum>(d));
        std::vector<float> strengths;
        for (const auto& s : strokes) strengths.push_back(s.strength_db);
        const float softest = middle_of(strengths) - kSoftestDb;
        for (const auto& s : strokes) {
            if (s.strength_db < softest) continue;
            const auto own = model_.sources()[s.source].own;
            const auto mic = who_.mics[own ? *own : who_.overheads[0]];
            const auto frame = s.frame + ears_[mic].lag;
            hits.push_back(
                {static_cast<Drum>(d), mic, frame, own ? frame : s.frame + first[s.source], s.strength_db});
        }
    }
    std::stable_sort(hits.begin(), hits.end(),
                     [](const FoundHit& a, const FoundHit& b) { return a.first_frame < b.first_frame; });
    return hits;
}

} // namespace kitfold::dsp
