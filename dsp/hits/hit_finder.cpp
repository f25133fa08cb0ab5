#include "hits/hit_finder.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>
#include <future>
#include <limits>

namespace kitfold::dsp {

namespace {

constexpr int kRounds = 3;
constexpr std::ptrdiff_t kHitApart = 18; // frames: nearer than that is one hit
constexpr std::ptrdiff_t kPlateApart = 40;
constexpr std::ptrdiff_t kCrashCovers = 600;
constexpr float kCoveredDb = 6.0f; // a softer crash under one that is fresh
constexpr float kLeastSeenDb = 14.0f;
constexpr float kSoftestDb = 30.0f; // under the drum's median

/// Strongest first; near a hit only what is a hit of its own: the ring of a drum beats for a while.
std::vector<KnownStroke> thinned(std::vector<KnownStroke> all, Drum drum) {
    std::stable_sort(all.begin(), all.end(), [](const KnownStroke& a, const KnownStroke& b) {
        return a.strength_db > b.strength_db;
    });
    std::vector<KnownStroke> kept;
    for (const auto& s : all) {
        bool own = true;
        for (auto& k : kept) {
            const auto after = s.frame - k.frame;
            const float under = k.strength_db - s.strength_db;
            if (std::abs(after) < (is_plate(drum) ? kPlateApart : kHitApart)) {
                own = false;
                if (after < -2 && under < 8.0f)
                    k.frame = s.frame; // the earlier of two as strong is the attack
                break;
            }
            if ((is_plate(drum) && after > 0 && after < 30 && under > 3.0f) ||
                (drum == Drum::cymbals && after > 0 && after < kCrashCovers && under > kCoveredDb) ||
                (after > 0 && after < 45 && under > 8.0f) || (after >= 45 && after < 80 && under > 16.0f))
                own = false;
            if (!own) break;
        }
        if (own) kept.push_back(s);
    }
    return kept;
}

} // namespace

HitFinder::HitFinder(const Take& take, std::span<const Ear> ears)
    : take_(take), ears_(ears), who_(listeners(take.mics)), events_(gather_events(ears, who_)), model_({}) {
    for (const auto& m : take.mics) near_.push_back(own_drum(m.role));
}

void HitFinder::explain_all() {
    parts_.assign(events_.size(), {});
    const auto half = [&](std::size_t first) {
        for (auto i = first; i < events_.size(); i += 2) parts_[i] = model_.explain(events_[i]);
    };
    auto other = std::async(std::launch::async, half, 1);
    half(0);
    other.get();
}

/// Frame by which the channels that the part rules have reached a part of their step, the clearer ones
/// counting more: what else was struck a moment before is heard in the others. Places are listeners.
std::optional<std::ptrdiff_t> HitFinder::onset(const HitEvent& event, const Part& part,
                                               std::span<const std::size_t> places) const {
    constexpr float kBegun = 0.3f; // of what votes, each by how clearly it steps up
    constexpr float kClearestDb = 30.0f;
    std::vector<std::pair<std::ptrdiff_t, float>> reached; // and how clearly
    float all = 0.0f;
    for (const float least_share : {0.85f, 0.5f}) {
        for (const auto m : places) {
            const Ear& ear = ears_[who_.mics[m]];
            const auto past = ear.past(event.frame - 5);
            for (std::size_t b = 1; b < kScanBands; ++b) {
                const auto c = m * kScanBands + b;
                if (event.step[c] < 2.0f * event.hidden[c] || part.share[c] < least_share) continue;
                for (auto f = event.frame - 7; f <= event.frame + 6; ++f)
                    if (ear.energy(f, b) - 1.26f * past[b] >= (b < 4 ? 0.25f : 0.5f) * event.step[c]) {
                        reached.emplace_back(
                            f, std::min(decibels(event.step[c] / event.hidden[c]), kClearestDb));
                        all += reached.back().second;
                        break;
                    }
            }
        }
        if (reached.size() >= 2) break;
    }
    if (reached.empty()) return std::nullopt;
    std::sort(reached.begin(), reached.end());
    float sum = 0.0f;
    for (const auto& [frame, clear] : reached)
        if ((sum += clear) >= kBegun * all) return frame;
    return reached.back().first;
}

/// How far a drum's stroke rises above what rings on, added up over all bands that it rules in the mics put
/// up for it: the ring of a drum beats, and a crash in its mic flickers, but in few bands and by little.
float HitFinder::seen_db(const HitEvent& event, const Part& part) const {
    constexpr float kRules = 0.5f;
    float sum = 0.0f;
    for (std::size_t m = 0; m < who_.mics.size(); ++m) {
        if (who_.near[m] != model_.sources()[part.source].drum) continue;
        for (auto c = m * kScanBands; c < (m + 1) * kScanBands; ++c)
            if (part.share[c] > kRules)
                sum += std::max(0.0f, decibels(event.step[c]) - decibels(event.hidden[c]));
    }
    return sum;
}

std::vector<KnownStroke> HitFinder::strokes_of(Drum drum) const {
    std::vector<KnownStroke> all;
    for (std::size_t i = 0; i < events_.size(); ++i)
        for (const auto& p : parts_[i]) {
            const auto& source = model_.sources()[p.source];
            if (source.drum != drum || (source.own && seen_db(events_[i], p) < kLeastSeenDb)) continue;
            const auto f = source.own ? onset(events_[i], p, std::span(&*source.own, 1))
                                      : onset(events_[i], p, who_.overheads);
            all.push_back({p.source, f.value_or(events_[i].frame), decibels(p.level)});
        }
    return thinned(std::move(all), drum);
}

/// Strokes near which none of the others lies.
std::vector<KnownStroke> HitFinder::lone(std::span<const KnownStroke> strokes,
                                         std::span<const KnownStroke> others) {
    constexpr std::ptrdiff_t kNear = 30;
    std::vector<KnownStroke> out;
    for (const auto& s : strokes)
        if (std::none_of(others.begin(), others.end(),
                         [&](auto& o) { return std::abs(o.frame - s.frame) < kNear; }))
            out.push_back(s);
    return out;
}

/// Where a cymbal's power in a mic's bright bands first reaches a part of what it gains, frames re its
/// strokes; none if there are few or the mic hardly hears them.
std::optional<std::ptrdiff_t> HitFinder::bright_onset(const Ear& ear,
                                                      std::span<const KnownStroke> strokes) const {
    constexpr std::ptrdiff_t kFirst = -12, kLast = 14, kNothingYet = 6; // frames
    constexpr float kBegun = 0.2f, kClear = 0.4f, kOverChance = 4.0f, kBegunOverChance = 2.0f;
    constexpr std::size_t kFewest = 4;
    if (strokes.size() < kFewest) return std::nullopt;
    std::array<std::vector<float>, kLast - kFirst> course;
    for (const auto& s : strokes) {
        const auto bright = [&](std::ptrdiff_t f) {
            return ear.energy(s.frame + f, 6) + ear.energy(s.frame + f, 7);
        };
        float before = 1e-14f;
        for (auto f = kFirst - 8; f < kFirst; ++f) before += bright(f) / 8.0f;
        for (auto f = kFirst; f < kLast; ++f)
            course[static_cast<std::size_t>(f - kFirst)].push_back(bright(f) / before);
    }
    std::vector<float> usual;
    for (auto& c : course) usual.push_back(quantile(c, 0.5) - 1.0f);
    const float most = *std::max_element(usual.begin(), usual.end());
    float chance = 0.0f; // many strokes tell of a mic that hears them far under its noise
    for (std::size_t f = 0; f < kNothingYet; ++f) chance = std::max(chance, std::abs(usual[f]));
    if (most < std::max(kClear, kOverChance * chance)) return std::nullopt;
    const float least = std::max(kBegun * most, kBegunOverChance * chance);
    const auto begun = std::find_if(usual.begin(), usual.end(), [&](float x) { return x > least; });
    return kFirst + (begun - usual.begin());
}

/// Earliest of all mics to hear a source, as frames from its strokes on the common clock to that mic's file.
/// Strokes that nothing else was struck with tell most. Where there are few, those of all sources that are
/// the same drum do; and where these are few, all but those at which the mic heard the drum it is put up for.
std::ptrdiff_t HitFinder::first_to_hear(std::size_t source, const StrokesByDrum& all) const {
    constexpr std::ptrdiff_t kFarthest = 4; // frames by which a close mic is nearer than the overheads
    const auto drum = static_cast<std::size_t>(model_.sources()[source].drum);
    std::vector<KnownStroke> mine, others;
    std::copy_if(all[drum].begin(), all[drum].end(), std::back_inserter(mine),
                 [&](auto& s) { return s.source == source; });
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (d != drum) others.insert(others.end(), all[d].begin(), all[d].end());
    const auto mine_lone = lone(mine, others), all_lone = lone(all[drum], others);
    std::vector<std::optional<std::ptrdiff_t>> onsets;
    for (std::size_t m = 0; m < ears_.size(); ++m) {
        auto onset = bright_onset(ears_[m], mine_lone);
        if (!onset) onset = bright_onset(ears_[m], all_lone);
        if (!onset && near_[m] != model_.sources()[source].drum) {
            const auto own = near_[m] ? std::span(all[static_cast<std::size_t>(*near_[m])])
                                      : std::span<const KnownStroke>{};
            onset = bright_onset(ears_[m], lone(mine, own));
        }
        onsets.push_back(onset);
    }
    std::optional<std::ptrdiff_t> above;
    for (const auto o : who_.overheads)
        if (const auto& f = onsets[who_.mics[o]]) above = std::min(above.value_or(*f), *f);
    if (!above) return ears_[who_.mics[who_.overheads[0]]].lag;
    auto first = std::numeric_limits<std::ptrdiff_t>::max();
    for (std::size_t m = 0; m < onsets.size(); ++m)
        if (onsets[m] && *onsets[m] >= *above - kFarthest) first = std::min(first, *onsets[m] + ears_[m].lag);
    return first;
}

void HitFinder::learn_sources() {
    auto ideas = own_sources(events_, who_);
    separate(ideas, events_);
    for (auto& i : free_sources(events_, ears_, who_, ideas))
        if (std::none_of(who_.own.begin(), who_.own.end(),
                         [&](const auto& o) { return o.first == i.source.drum; }))
            ideas.push_back(std::move(i));
    separate(ideas, events_);
    keep_below_overheads(ideas, events_, who_);
    model_ = HitModel(sources_of(ideas));
    for (int round = 0; round < kRounds; ++round) {
        if (round > 0) model_.learn(events_, parts_);
        explain_all();
    }
}

/// Crashes cover most. Of several, the one that is struck most decides.
NullBeam HitFinder::beam_beside_cymbals(std::span<const KnownStroke> strokes) const {
    const auto pair = overhead_pair(take_.mics);
    if (!pair) return {};
    std::vector<std::vector<std::ptrdiff_t>> frames(model_.sources().size());
    for (const auto& s : strokes)
        if (model_.sources()[s.source].drum == Drum::cymbals) frames[s.source].push_back(s.frame);
    const auto most =
        std::max_element(frames.begin(), frames.end(), [](auto& a, auto& b) { return a.size() < b.size(); });
    if (most == frames.end() || most->empty()) return {};
    return NullBeam(take_, *pair, ears_, *most);
}

/// Drums by their steps in all mics; then, with these known, cymbals by what lasts in the overheads.
HitFinder::StrokesByDrum HitFinder::strokes() const {
    constexpr std::ptrdiff_t kApart = 12;
    StrokesByDrum strokes;
    std::vector<KnownStroke> all;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        strokes[d] = strokes_of(static_cast<Drum>(d));
        all.insert(all.end(), strokes[d].begin(), strokes[d].end());
        if (is_plate(static_cast<Drum>(d))) strokes[d].clear();
    }
    std::vector<std::ptrdiff_t> frames;
    for (const auto& e : events_) frames.push_back(e.frame);
    const auto beam = beam_beside_cymbals(all);
    for (const auto f : beam.steps()) { // what everything else covers
        const auto next = std::lower_bound(frames.begin(), frames.end(), f - kApart);
        if (next == frames.end() || *next > f + kApart) frames.insert(next, f);
    }
    for (const auto& s : find_plates(ears_, who_, model_.sources(), all, frames, beam))
        strokes[static_cast<std::size_t>(model_.sources()[s.source].drum)].push_back(s);
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (is_plate(static_cast<Drum>(d))) strokes[d] = thinned(std::move(strokes[d]), static_cast<Drum>(d));
    return strokes;
}

/// By source without a mic of its own.
std::vector<std::ptrdiff_t> HitFinder::firsts_to_hear(const StrokesByDrum& strokes) const {
    std::vector<std::ptrdiff_t> first(model_.sources().size());
    for (std::size_t s = 0; s < first.size(); ++s) {
        const auto& mine = strokes[static_cast<std::size_t>(model_.sources()[s].drum)];
        if (!model_.sources()[s].own && !mine.empty()) first[s] = first_to_hear(s, strokes);
    }
    return first;
}

std::vector<FoundHit> HitFinder::find() {
    std::vector<FoundHit> hits;
    if (events_.empty()) return hits;
    learn_sources();
    const auto by_drum = strokes();
    const auto first = firsts_to_hear(by_drum);
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        std::vector<float> strengths;
        for (const auto& s : by_drum[d]) strengths.push_back(s.strength_db);
        const float softest = quantile(strengths, 0.5) - kSoftestDb;
        for (const auto& s : by_drum[d]) {
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
