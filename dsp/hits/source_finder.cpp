#include "hits/source_finder.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr float kLeastNovelty = 4.0f; // doublings over all mics that make an event
constexpr std::ptrdiff_t kEventApart = 5, kSpread = 4, kCovered = 3;
constexpr std::ptrdiff_t kBefore = 5, kAfter = 5; // frames around an event in which the mics hear it
constexpr float kHiddenByPast = 0.7f, kHiddenByFloor = 3.0f;

/// Bands that speak for a drum in its own mic.
std::pair<std::size_t, std::size_t> voice_bands(Drum d) {
    return is_plate(d) ? std::pair<std::size_t, std::size_t>{5, 8}
                       : std::pair<std::size_t, std::size_t>{1, 7};
}

} // namespace

Listeners listeners(std::span<const TakeMic> mics) {
    Listeners who;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        if (is_room(mics[m].role)) continue;
        if (is_overhead(mics[m].role)) who.overheads.push_back(who.mics.size());
        who.mics.push_back(m);
        who.near.push_back(own_drum(mics[m].role));
    }
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (const auto own = own_mic(mics, static_cast<Drum>(d)))
            who.own.emplace_back(static_cast<Drum>(d),
                                 std::find(who.mics.begin(), who.mics.end(), *own) - who.mics.begin());
    return who;
}

namespace {

/// Frames after `frame` at which the first of the bands that step up clearly are on their way.
std::optional<std::ptrdiff_t> beginning(const Ear& ear, std::ptrdiff_t frame, const BandLevels& rise,
                                        const BandLevels& hidden, const BandLevels& past) {
    constexpr std::size_t kFirstBand = 2; // below, a period lasts longer than the way between two mics
    constexpr std::ptrdiff_t kReach = 9;
    constexpr float kClear = 4.0f, kBegun = 0.2f, kAbovePast = 1.26f;
    std::vector<float> starts;
    for (auto b = kFirstBand; b < kScanBands; ++b) {
        if (rise[b] < kClear * hidden[b]) continue;
        for (auto f = -kReach; f <= kReach; ++f)
            if (ear.energy(frame + f, b) - kAbovePast * past[b] >= kBegun * rise[b]) {
                starts.push_back(static_cast<float>(f));
                break;
            }
    }
    if (starts.size() < 2) return std::nullopt;
    return static_cast<std::ptrdiff_t>(quantile(starts, 0.3));
}

/// The least of a few moments, so that a stroke that follows soon does not count.
BandLevels left_later(const Ear& ear, std::ptrdiff_t frame, const BandLevels& past) {
    constexpr std::ptrdiff_t kFirst = 45, kLast = 70, kMean = 5;
    BandLevels least;
    least.fill(INFINITY);
    for (auto at = kFirst; at < kLast; at += kMean)
        for (std::size_t b = 0; b < kScanBands; ++b) {
            float sum = 0.0f;
            for (auto f = at; f < at + kMean; ++f) sum += ear.energy(frame + f, b);
            least[b] = std::min(least[b], sum / static_cast<float>(kMean));
        }
    for (std::size_t b = 0; b < kScanBands; ++b) least[b] = std::max(least[b] - past[b], 0.0f);
    return least;
}

} // namespace

std::vector<HitEvent> gather_events(std::span<const Ear> ears, const Listeners& who) {
    std::vector<HitEvent> events;
    if (who.mics.empty()) return events;
    // Each mic has its own moment; where most of them lie together something was struck.
    const auto length = ears[who.mics[0]].frames();
    std::vector<float> together(static_cast<std::size_t>(length) + 1);
    for (const auto m : who.mics)
        for (const auto f : peaks(length, kEventApart, 1.0f, [&](auto g) { return ears[m].novelty(g); }))
            for (auto d = -kSpread; d <= kSpread; ++d)
                if (f + d >= 0 && f + d < length)
                    together[static_cast<std::size_t>(f + d)] +=
                        ears[m].novelty(f) * (1.0f - static_cast<float>(std::abs(d)) / (kSpread + 1.0f));
    auto frames = peaks(length, kEventApart, kLeastNovelty, [&](auto f) {
        return f < 0 || f >= length ? 0.0f : together[static_cast<std::size_t>(f)];
    });
    // A drum right after a cymbal that everybody hears shows in its own mic only.
    for (const auto& [drum, place] : who.own) {
        const Ear& ear = ears[who.mics[place]];
        for (const auto f :
             peaks(length, kEventApart, kLeastNovelty, [&](auto g) { return ear.novelty(g); })) {
            const auto next = std::lower_bound(frames.begin(), frames.end(), f - kCovered);
            if (next == frames.end() || *next > f + kCovered) frames.insert(next, f);
        }
    }
    for (const auto f : frames) {
        HitEvent e;
        e.frame = f;
        for (const auto m : who.mics) {
            const auto rise = ears[m].rise(f - kBefore, f + kAfter);
            const auto past = ears[m].past(f - kBefore);
            BandLevels hidden;
            for (std::size_t b = 0; b < kScanBands; ++b)
                hidden[b] = kHiddenByPast * past[b] + kHiddenByFloor * ears[m].floor()[b];
            e.step.insert(e.step.end(), rise.begin(), rise.end());
            e.hidden.insert(e.hidden.end(), hidden.begin(), hidden.end());
            const auto later = left_later(ears[m], f, past);
            e.later.insert(e.later.end(), later.begin(), later.end());
            e.begins.push_back(beginning(ears[m], f, rise, hidden, past));
        }
        events.push_back(std::move(e));
    }
    return events;
}

namespace {

constexpr std::size_t kFewest = 3, kMostExamples = 24;
constexpr std::size_t kFirstAbove1kHz = 4; // band
constexpr float kAsClearDb = 4.5f;
constexpr float kAgreeDb = 1.3f; // hits of one drum are that much alike in all mics
constexpr float kSlack = 4.0f;   // power by which a hit's spectrum may depart from its drum's
constexpr float kLeadDb = 3.0f;  // per frame by which a drum's own mic is first

struct Example {
    std::size_t event = 0;
    float contrast_db = 0.0f; ///< arrival counted in
};

/// Frames by which a mic hears an event before the overheads and the other drums' mics do; 0 if that can't be
/// told.
float lead(const HitEvent& e, const Listeners& who, std::size_t own) {
    constexpr float kMost = 4.0f;
    if (!e.begins[own]) return 0.0f;
    float least = kMost;
    bool any = false;
    const auto against = [&](std::size_t other) {
        if (!e.begins[other]) return;
        least = std::min(least, static_cast<float>(*e.begins[other] - *e.begins[own])), any = true;
    };
    for (const auto o : who.overheads) against(o);
    for (const auto& [drum, place] : who.own) // with two, toms have none and are nearer to either by chance
        if (place != own && who.own.size() > 2) against(place);
    return any ? std::max(least, -kMost) : 0.0f;
}

/// What drums that are learned already may have to do with an event.
struct Known {
    std::vector<float> power; ///< at most, by channel
    bool all = false;         ///< one of them is all that was struck
};

/// What looks like this drum in all mics is not another one.
void discount(std::vector<Known>& known, const Source& drum, std::span<const HitEvent> events) {
    const HitModel model({drum});
    for (std::size_t i = 0; i < events.size(); ++i) {
        const float level = kSlack * model.most_possible(0, events[i]);
        std::size_t explained = 0, heard = 0;
        for (std::size_t c = 0; c < drum.shape.size(); ++c) {
            const float most = level * drum.shape[c];
            known[i].power[c] = std::max(known[i].power[c], most);
            if (events[i].step[c] < 2.0f * events[i].hidden[c]) continue;
            ++heard;
            if (most > events[i].step[c]) ++explained;
        }
        if (5 * explained > 4 * heard) known[i].all = true;
    }
}

/// Above 1 kHz a drum is over in 60 ms; what is not is a cymbal, however loud it is in the drum's mic.
bool rings_brightly(const HitEvent& e, std::size_t channel) {
    constexpr float kLeft = 0.25f;
    return channel % kScanBands >= kFirstAbove1kHz && e.later[channel] > kLeft * e.step[channel];
}

/// A drum with a mic of its own.
struct Candidate {
    Drum drum = Drum::kick;
    std::size_t own = 0;
    std::vector<float> ahead; ///< its mic's lead, by event
    float clearly_ahead =
        INFINITY; ///< lead from which on an event is no other drum's, however alike they look
};

/// How far the drum's mic stands out against the others, arrival counted in; none where it hears too little.
std::optional<float> contrast_db(const HitEvent& e, const Candidate& drum, float ahead, const Known& known,
                                 std::span<const std::size_t> others) {
    const bool first_of_all = !is_plate(drum.drum) && ahead >= drum.clearly_ahead; // a cymbal is like no drum
    if (known.all && !first_of_all) return std::nullopt;
    const auto [first, last] = voice_bands(drum.drum);
    float sum = 0.0f;
    std::size_t clear = 0, ringing = 0;
    for (auto b = first; b < last; ++b) {
        const auto c = drum.own * kScanBands + b;
        if (e.step[c] < 1.5f * e.hidden[c] + (first_of_all ? 0.0f : known.power[c])) continue;
        if (!is_plate(drum.drum) && rings_brightly(e, c)) {
            ++ringing;
            continue;
        }
        float other_db = 0.0f;
        for (const auto o : others)
            other_db += decibels(e.step[o * kScanBands + b] + e.hidden[o * kScanBands + b]);
        sum += decibels(e.step[c]) - other_db / static_cast<float>(std::max<std::size_t>(others.size(), 1));
        ++clear;
    }
    if (clear < 2 || ringing >= 2) return std::nullopt;
    return sum / static_cast<float>(clear) + kLeadDb * ahead;
}

/// The contrast of each event that a drum's mic hears, most first.
std::vector<Example> contrasts(std::span<const HitEvent> events, const Listeners& who, const Candidate& drum,
                               std::span<const Known> known) {
    std::vector<std::size_t> others = who.overheads;
    for (const auto& [d, m] : who.own)
        if (d != drum.drum) others.push_back(m);
    std::vector<Example> out;
    for (std::size_t i = 0; i < events.size(); ++i)
        if (const auto db = contrast_db(events[i], drum, drum.ahead[i], known[i], others))
            out.push_back({i, *db});
    std::stable_sort(out.begin(), out.end(),
                     [](const Example& a, const Example& b) { return a.contrast_db > b.contrast_db; });
    return out;
}

/// Clearly ahead is what stands out most in its mic, less the frame to which beginnings are found, but at
/// least one. A mic's clock is set by all that it hears: where that is bleed, the bleed seems early.
Candidate candidate(std::span<const HitEvent> events, const Listeners& who, Drum drum, std::size_t own,
                    std::span<const Known> nothing) {
    Candidate out{drum, own, {}};
    for (const auto& e : events) out.ahead.push_back(lead(e, who, own));
    std::vector<float> leads;
    for (const auto& x : contrasts(events, who, out, nothing)) {
        leads.push_back(out.ahead[x.event]);
        if (leads.size() == kFewest) break;
    }
    out.clearly_ahead = std::max(1.0f, quantile(leads, 0.5) - 1.0f);
    return out;
}

struct Loud {
    std::size_t event = 0;
    float level = 1.0f; ///< power re which its steps are taken
};

/// Usual step of a channel re the level, over the half of the examples in which least rings on there.
float usual_step(std::span<const HitEvent> events, std::span<const Loud> examples, std::size_t channel,
                 double quantile_of) {
    std::vector<std::pair<float, float>> seen; // what may hide it, its step
    for (const auto& [event, level] : examples)
        seen.emplace_back(events[event].hidden[channel] / level, events[event].step[channel] / level);
    std::sort(seen.begin(), seen.end());
    seen.resize(std::max(std::min(seen.size(), kFewest), (seen.size() + 1) / 2));
    std::vector<float> ratios;
    for (const auto& [hidden, step] : seen) ratios.push_back(step);
    return quantile(ratios, quantile_of);
}

/// Usual step in every channel at a typical loud hit. @param low of the steps, below 1 kHz  @param high above
std::vector<float> usual_shape(std::span<const HitEvent> events, std::span<const Loud> examples, double low,
                               double high) {
    std::vector<float> levels;
    for (const auto& x : examples) levels.push_back(x.level);
    const float typical = quantile(levels, 0.6);
    std::vector<float> shape;
    for (std::size_t c = 0; c < events[0].step.size(); ++c)
        shape.push_back(typical *
                        usual_step(events, examples, c, c % kScanBands < kFirstAbove1kHz ? low : high));
    return shape;
}

std::vector<float> shape_in_own_mic(std::span<const HitEvent> events, std::span<const Example> examples,
                                    std::size_t own) {
    std::vector<Loud> louds;
    for (const auto& x : examples) {
        float sum = 0.0f;
        for (std::size_t b = 0; b < kScanBands; ++b) sum += events[x.event].step[own * kScanBands + b];
        louds.push_back({x.event, sum});
    }
    return usual_shape(events, louds, 0.4, 0.4);
}

/// By how much examples differ in what the mics that hear them share, re the drum's own.
float disagreement_db(std::span<const HitEvent> events, std::span<const Example> examples, std::size_t own) {
    std::vector<float> all;
    for (std::size_t c = 0; c < events[0].step.size(); ++c) {
        std::vector<float> ratios;
        for (const auto& x : examples) {
            const auto& e = events[x.event];
            const auto o = own * kScanBands + c % kScanBands;
            if (c == o || e.step[c] + e.step[o] < 4.0f * (e.hidden[c] + e.hidden[o])) continue;
            ratios.push_back(decibels(e.step[c] + e.hidden[c]) - decibels(e.step[o] + e.hidden[o]));
        }
        if (ratios.size() < kFewest || 2 * ratios.size() < examples.size()) continue;
        const float middle = quantile(ratios, 0.5);
        for (const float r : ratios) all.push_back(std::abs(r - middle));
    }
    return quantile(all, 0.7);
}

/// The events that show a drum best, as far as they agree.
struct Clearest {
    std::vector<Example> examples;
    float over_rest_db = 0.0f; ///< contrast of the clear ones re the usual event
    float disagreement_db = 1e9f;
};

/// Whether the drum is struck at all. A mic whose drum is left alone stands out no more than by what its gain
/// makes of bleed, and not far from its usual; one that is turned down stands out against its usual.
bool struck(const Clearest& c) {
    constexpr float kLeastContrastDb = 4.0f, kLeastOverRestDb = 17.0f;
    return !c.examples.empty() &&
           (c.examples.back().contrast_db > kLeastContrastDb || c.over_rest_db > kLeastOverRestDb);
}

/// Which of two drums to learn first.
bool before(const Clearest& a, const Clearest& b) {
    constexpr std::size_t kMany = 8; // a few may agree by chance
    const auto is_sure = [](const Clearest& c) {
        return c.disagreement_db <= kAgreeDb && c.examples.size() >= kMany;
    };
    const bool sure = is_sure(a), other_sure = is_sure(b);
    return sure != other_sure ? sure : a.over_rest_db > b.over_rest_db;
}

/// The first few may be chance, and among many there is more than a drum that is seldom struck: the fewest
/// that agree, or those that agree best.
Clearest clearest(std::span<const HitEvent> events, std::span<const Example> found, std::size_t own) {
    Clearest best;
    std::vector<float> all;
    for (const auto& x : found) all.push_back(x.contrast_db);
    const float usual = quantile(all, 0.5);
    for (auto place = kFewest; place <= 3 * kFewest && best.disagreement_db > kAgreeDb; place += kFewest) {
        const float clear = found[std::min(found.size(), place) - 1].contrast_db;
        std::size_t count = 0;
        while (count < std::min(found.size(), kMostExamples) &&
               found[count].contrast_db >= clear - kAsClearDb)
            ++count;
        const auto some = found.first(count);
        if (const float d = disagreement_db(events, some, own); d < best.disagreement_db)
            best = {{some.begin(), some.end()}, clear - usual, d};
    }
    return best;
}

} // namespace

std::vector<FirstIdea> own_sources(std::span<const HitEvent> events, const Listeners& who) {
    std::vector<FirstIdea> ideas;
    if (events.empty()) return ideas;
    std::vector<Known> known(events.size(), {std::vector<float>(events[0].step.size()), false});
    std::vector<Candidate> left;
    for (const auto& [drum, own] : who.own) left.push_back(candidate(events, who, drum, own, known));
    while (!left.empty()) {
        auto next = left.end();
        Clearest best;
        for (auto drum = left.begin(); drum != left.end(); ++drum) {
            const auto found = contrasts(events, who, *drum, known);
            if (found.empty()) continue;
            if (auto some = clearest(events, found, drum->own);
                struck(some) && (next == left.end() || before(some, best)))
                next = drum, best = std::move(some);
        }
        if (next == left.end()) break;
        ideas.push_back(
            {{next->drum, next->own, shape_in_own_mic(events, best.examples, next->own)}, {}, {}});
        ideas.back().heard = ideas.back().source.shape;
        for (const auto& x : best.examples) ideas.back().examples.push_back(x.event);
        discount(known, ideas.back().source, events);
        left.erase(next);
    }
    return ideas;
}

std::vector<Source> sources_of(std::span<const FirstIdea> ideas) {
    std::vector<Source> sources;
    for (const auto& i : ideas) sources.push_back(i.source);
    return sources;
}

void separate(std::vector<FirstIdea>& ideas, std::span<const HitEvent> events) {
    constexpr float kLeastLeft = 0.06f;
    std::vector<Source> whole;
    for (const auto& i : ideas) whole.push_back({i.source.drum, i.source.own, i.heard});
    const HitModel model(std::move(whole));
    for (std::size_t s = 0; s < ideas.size(); ++s) {
        auto& shape = ideas[s].source.shape;
        std::vector<std::vector<float>> ratios(shape.size());
        for (const auto i : ideas[s].examples) {
            const auto& e = events[i];
            const float level = model.evident(s, e);
            if (level <= 0.0f) continue;
            std::vector<float> other(shape.size());
            for (std::size_t o = 0; o < ideas.size(); ++o) {
                if (is_plate(ideas[o].source.drum) == is_plate(ideas[s].source.drum)) continue;
                const float evident = model.evident(o, e);
                for (std::size_t c = 0; c < other.size(); ++c)
                    other[c] = std::max(other[c], evident * ideas[o].heard[c]);
            }
            for (std::size_t c = 0; c < other.size(); ++c)
                ratios[c].push_back(std::max(e.step[c] - other[c], 0.0f) / level);
        }
        if (ratios[0].size() >= kFewest)
            for (std::size_t c = 0; c < shape.size(); ++c)
                shape[c] =
                    std::clamp(quantile(ratios[c], 0.5), kLeastLeft * ideas[s].heard[c], ideas[s].heard[c]);
    }
}

/// How much louder a mic is for this cymbal than the overheads are, where it is heard to ring on there; at
/// least 1. Power.
float louder_than_overheads(const FirstIdea& idea, std::span<const HitEvent> events, std::size_t mic,
                            const BandLevels& overheads) {
    std::vector<float> ratios;
    for (std::size_t b = 0; b < kScanBands; ++b) {
        const auto c = mic * kScanBands + b;
        const auto lasting = std::count_if(idea.examples.begin(), idea.examples.end(),
                                           [&](auto i) { return rings_brightly(events[i], c); });
        if (2 * lasting > std::ssize(idea.examples) && overheads[b] > 0.0f)
            ratios.push_back(idea.source.shape[c] / overheads[b]);
    }
    return std::max(1.0f, quantile(ratios, 0.5));
}

/// Overheads are there for cymbals: where another mic seems to hear more of one, a drum played along, unless
/// it goes on ringing there: then that mic is turned up.
void keep_below_overheads(std::vector<FirstIdea>& ideas, std::span<const HitEvent> events,
                          const Listeners& who) {
    for (auto& idea : ideas) {
        if (idea.source.own || !is_plate(idea.source.drum)) continue;
        auto& shape = idea.source.shape;
        BandLevels overheads{};
        for (std::size_t b = 0; b < kScanBands; ++b)
            for (const auto o : who.overheads) overheads[b] += shape[o * kScanBands + b];
        for (std::size_t m = 0; m < who.mics.size(); ++m) {
            const float louder = louder_than_overheads(idea, events, m, overheads);
            for (std::size_t b = 0; b < kScanBands; ++b)
                shape[m * kScanBands + b] = std::min(shape[m * kScanBands + b], louder * overheads[b]);
        }
    }
}

namespace {

constexpr std::size_t kFirstBright = 5;
constexpr float kSamePlaceDb = 4.0f;
constexpr float kEvident = 0.1f;       // power re a loud stroke of a drum
constexpr float kNotHeardDb = -20.0f;  // re the overheads
constexpr float kGrowingDb = 1.0f;     // in 60 ms, as only a crash does
constexpr std::size_t kMostGroups = 8; // one cymbal struck with several drums makes more than one

/// What is left of an event in the bright bands once drums have taken what they can.
struct Rest {
    std::size_t event = 0;
    float loud_db = 0.0f;
    float decay_db = 0.0f;                   ///< in the overheads after 60 ms
    std::vector<std::optional<float>> place; ///< dB re the overheads, by listener and bright band
    bool along = false;                      ///< a drum is evident too
};

std::optional<Rest> rest_of(const HitEvent& e, const Listeners& who, const HitModel& drums) {
    std::vector<float> known(e.step.size());
    for (std::size_t s = 0; s < drums.sources().size(); ++s) {
        const float most = drums.most_possible(s, e);
        for (std::size_t c = 0; c < known.size(); ++c) known[c] += most * drums.sources()[s].shape[c];
    }
    const auto clear = [&](std::size_t c) { return e.step[c] > 6.0f * known[c] + e.hidden[c]; };
    Rest rest;
    float sum = 0.0f;
    std::size_t count = 0;
    for (const auto o : who.overheads)
        for (auto b = kFirstBright; b < kScanBands; ++b)
            if (const auto c = o * kScanBands + b; clear(c)) sum += e.step[c], ++count;
    if (2 * count < 3 * who.overheads.size()) return std::nullopt;
    rest.loud_db = decibels(sum);
    for (std::size_t s = 0; s < drums.sources().size() && !rest.along; ++s)
        rest.along = drums.evident(s, e) > kEvident;
    for (std::size_t m = 0; m < who.mics.size(); ++m)
        for (auto b = kFirstBright; b < kScanBands; ++b) {
            const auto c = m * kScanBands + b;
            if (clear(c))
                rest.place.emplace_back(decibels(e.step[c]) - rest.loud_db);
            else if (e.hidden[c] + known[c] < 0.01f * sum)
                rest.place.emplace_back(kNotHeardDb);
            else
                rest.place.emplace_back(std::nullopt);
        }
    return rest;
}

using Place = std::vector<std::optional<float>>;

float apart(const Place& a, const Place& b) {
    float sum = 0.0f, count = 0.0f;
    for (std::size_t i = 0; i < a.size(); ++i) {
        if (!a[i] || !b[i]) continue;
        const float x = std::max(kNotHeardDb, *a[i]), y = std::max(kNotHeardDb, *b[i]);
        if (x <= kNotHeardDb && y <= kNotHeardDb) continue;
        sum += (x - y) * (x - y), count += 1.0f;
    }
    return count > 0.0f ? std::sqrt(sum / count) : 1e9f;
}

struct Group {
    Place place;
    float decay_db = 0.0f;
    std::vector<std::size_t> rests;
};

float apart(const Rest& r, const Group& g) {
    constexpr float kDecayCounts = 0.5f;
    return apart(r.place, g.place) + kDecayCounts * std::min(std::abs(r.decay_db - g.decay_db), 10.0f);
}

std::vector<Group> sort_by_place(std::span<const Rest> rests) {
    constexpr float kSameDb = 5.0f;
    std::vector<Group> groups;
    for (int round = 0; round < 5; ++round) {
        for (auto& g : groups) g.rests.clear();
        for (std::size_t i = 0; i < rests.size(); ++i) {
            std::size_t best = groups.size();
            float least = kSameDb;
            for (std::size_t g = 0; g < groups.size(); ++g)
                if (const float d = apart(rests[i], groups[g]); d < least) least = d, best = g;
            if (best == groups.size()) {
                if (round > 0) continue;
                groups.push_back({rests[i].place, rests[i].decay_db, {}});
            }
            groups[best].rests.push_back(i);
        }
        for (auto& g : groups) {
            std::vector<float> decays;
            for (const auto i : g.rests) decays.push_back(rests[i].decay_db);
            g.decay_db = quantile(decays, 0.5);
            for (std::size_t k = 0; k < g.place.size(); ++k) {
                std::vector<float> values;
                for (const auto i : g.rests)
                    if (rests[i].place[k]) values.push_back(*rests[i].place[k]);
                if (!values.empty()) g.place[k] = quantile(values, 0.5);
            }
        }
        std::stable_sort(groups.begin(), groups.end(),
                         [](const Group& a, const Group& b) { return a.rests.size() > b.rests.size(); });
        if (round == 1 && groups.size() > kMostGroups) groups.resize(kMostGroups);
    }
    std::erase_if(groups, [](const Group& g) { return g.rests.size() < kFewest; });
    return groups;
}

/// A crash that still grows steps up once more: the first of these is the stroke.
void keep_strokes(Group& group, std::span<const Rest> rests, std::span<const HitEvent> events) {
    constexpr std::ptrdiff_t kOneStroke = 40;
    std::optional<std::ptrdiff_t> last;
    std::erase_if(group.rests, [&](std::size_t i) {
        const auto frame = events[rests[i].event].frame;
        const bool again = last && frame - *last < kOneStroke;
        last = frame;
        return again;
    });
}

float decay_of(const HitEvent& e, std::span<const Ear> ears, const Listeners& who) {
    float later = 0.0f, step = 0.0f;
    for (const auto o : who.overheads) {
        for (std::ptrdiff_t f = 50; f < 70; ++f) later += ears[who.mics[o]].energy(e.frame + f, 6) / 20.0f;
        step += e.step[o * kScanBands + 6];
    }
    return decibels(later) - decibels(step);
}

/// The group in whose place another one sits, if any: near it, or far nearer to it than to all other places.
std::optional<std::size_t> neighbour(std::span<const Group> groups, std::size_t of) {
    constexpr float kNearDb = 6.5f, kFartherTimes = 1.35f;
    const auto from = [&](std::size_t a, std::size_t b) { return apart(groups[a].place, groups[b].place); };
    std::optional<std::size_t> nearest;
    for (std::size_t g = 0; g < groups.size(); ++g)
        if (g != of && (!nearest || from(of, g) < from(of, *nearest))) nearest = g;
    if (!nearest || from(of, *nearest) < kSamePlaceDb) return nearest;
    std::optional<float> next;
    for (std::size_t g = 0; g < groups.size(); ++g)
        if (g != of && g != *nearest && from(g, *nearest) >= kSamePlaceDb)
            next = std::min(next.value_or(from(of, g)), from(of, g));
    const float least = from(of, *nearest);
    return least < kNearDb && next && *next > kFartherTimes * least ? nearest : std::nullopt;
}

/// A closed hi-hat is over in 60 ms, a ride has lost a little, a crash is still growing. What sits in the
/// place of something played more often is the same instrument played another way.
std::vector<Drum> names_of(std::span<const Group> groups) {
    std::vector<Drum> names;
    for (std::size_t g = 0; g < groups.size(); ++g) {
        const float decay = groups[g].decay_db;
        names.push_back(decay < -12.0f ? Drum::hihat : decay < -1.5f ? Drum::ride : Drum::cymbals);
        if (decay >= kGrowingDb) continue;
        if (const auto h = neighbour(groups, g); h && *h < g) names[g] = names[*h];
    }
    return names;
}

/// Most of its strokes fall together with a drum's.
bool along(const Group& g, std::span<const Rest> rests) {
    return 2 * std::count_if(g.rests.begin(), g.rests.end(), [&](auto i) { return rests[i].along; }) >
           std::ssize(g.rests);
}

/// A kit has one hi-hat and one ride: what bears that name elsewhere and falls together with a drum is it.
/// What sits in the place of a hi-hat or ride is that, but for a crash.
bool same_instrument(const Group& a, Drum name, const Group& b, Drum other, std::span<const Rest> rests) {
    if (name == other && name != Drum::cymbals && along(a, rests)) return true;
    if (apart(a.place, b.place) >= kSamePlaceDb) return false;
    return name == other || (other != Drum::cymbals && a.decay_db < kGrowingDb);
}

void erase(std::vector<Group>& groups, std::vector<Drum>& names, std::size_t g) {
    groups.erase(groups.begin() + static_cast<std::ptrdiff_t>(g));
    names.erase(names.begin() + static_cast<std::ptrdiff_t>(g));
}

/// One instrument is one source, however it was struck and whatever was struck with it.
void join_same(std::vector<Group>& groups, std::vector<Drum>& names, std::span<const Rest> rests) {
    for (std::size_t g = groups.size(); g-- > 1;)
        for (std::size_t h = 0; h < g; ++h)
            if (same_instrument(groups[g], names[g], groups[h], names[h], rests)) {
                groups[h].rests.insert(groups[h].rests.end(), groups[g].rests.begin(), groups[g].rests.end());
                erase(groups, names, g);
                break;
            }
}

/// A kit has one hi-hat and one ride: a few strokes of that name in another place were struck along with
/// something. And a few that are named a crash because they last, but do not grow, are things that fell
/// together.
bool doubtful(std::span<const Group> groups, std::span<const Drum> names, std::size_t g) {
    constexpr std::size_t kFew = 10; // times as many of the other
    const auto strokes = groups[g].rests.size();
    if (names[g] == Drum::cymbals) return groups[g].decay_db < kGrowingDb && strokes < 2 * kFewest;
    for (std::size_t h = 0; h < g; ++h)
        if (names[h] == names[g] && kFew * strokes < groups[h].rests.size()) return true;
    return false;
}

} // namespace

std::vector<FirstIdea> free_sources(std::span<const HitEvent> events, std::span<const Ear> ears,
                                    const Listeners& who, std::span<const FirstIdea> known) {
    std::vector<FirstIdea> ideas;
    if (who.overheads.empty()) return ideas;
    const HitModel drums(sources_of(known));
    std::vector<Rest> rests;
    for (std::size_t i = 0; i < events.size(); ++i)
        if (auto r = rest_of(events[i], who, drums)) {
            r->event = i, r->decay_db = decay_of(events[i], ears, who);
            rests.push_back(std::move(*r));
        }
    auto groups = sort_by_place(rests);
    for (auto& g : groups) keep_strokes(g, rests, events);
    auto names = names_of(groups);
    join_same(groups, names, rests);
    for (std::size_t g = groups.size(); g-- > 0;)
        if (doubtful(groups, names, g)) erase(groups, names, g);
    for (std::size_t g = 0; g < groups.size(); ++g) {
        FirstIdea idea;
        idea.source.drum = names[g];
        std::vector<Loud> louds;
        for (const auto i : groups[g].rests) {
            louds.push_back({rests[i].event, std::pow(10.0f, rests[i].loud_db / 10.0f)});
            idea.examples.push_back(rests[i].event);
        }
        idea.source.shape = usual_shape(events, louds, 0.15, 0.35);
        idea.heard = idea.source.shape;
        ideas.push_back(std::move(idea));
    }
    return ideas;
}

} // namespace kitfold::dsp
