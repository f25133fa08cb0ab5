#include "hits/hit_finder.h"
#include "core/median.h"
#include "core/two_threads.h"
#include "hits/arrival.h"
#include "hits/hit_math.h"
#include "hits/sources.h"
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {

namespace {

constexpr std::ptrdiff_t kHitApart = 18;     // frames: nearer than that is one hit, a flam too
constexpr std::ptrdiff_t kPlateApart = 40;   // longer: the ring of a plate flickers
constexpr std::ptrdiff_t kCrashCovers = 600; // frames in which it grows, see mark_alone() (hits.cpp)
constexpr float kCoveredDb = 6.0f;           // a softer crash under one that is fresh
constexpr float kLeastSeenDb = 14.0f;        // beats of a ring and the flicker of a crash add up to less

/// What a drum's first wave lies above: rumble and hum are below all, drums below a cymbal.
double low_hz(Drum drum) { return is_plate(drum) ? 3'000.0 : 60.0; }

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
                    k.frame = s.frame, k.event = s.event, k.clear = s.clear,
                    k.onset = s.onset; // the earlier of two as strong is the attack
                break;
            }
            if ((is_plate(drum) && after > 0 && after < 30 && under > 3.0f) ||
                (drum == Drum::cymbals && after > 0 && after < kCrashCovers && under > kCoveredDb) ||
                (after > 0 && after < 45 && under > 8.0f) ||
                (after >= 45 && after < (drum == Drum::snare ? 80 : 120) && under > 16.0f))
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
    on_two_threads(events_.size(), [&](std::size_t i) { parts_[i] = model_.explain(events_[i]); });
}

/// Moment by which the channels that the part rules have reached a part of their step, in frames and between
/// them, the clearer ones counting more: what else was struck a moment before is heard in the others. Places
/// are listeners.
std::optional<float> HitFinder::onset(const HitEvent& event, const Part& part,
                                      std::span<const std::size_t> places) const {
    constexpr float kBegun = 0.3f;       // of what votes, each by how clearly it steps up
    constexpr float kClearestDb = 30.0f; // no single channel decides
    // Frames: steps are taken from 10 before on. What comes so early in a head's own mic is another drum.
    const std::ptrdiff_t before = model_.sources()[part.source].plate() ? 10 : 7;
    std::vector<std::pair<float, float>> reached; // and how clearly
    float all = 0.0f;
    for (const float least_share : {0.85f, 0.5f}) {
        for (const auto m : places) {
            const Ear& ear = ears_[who_.mics[m]];
            const auto past = ear.past(event.frame - before);
            for (std::size_t b = 1; b < kScanBands; ++b) {
                const auto c = m * kScanBands + b;
                if (event.step[c] < 2.0f * event.hidden[c] || part.share[c] < least_share) continue;
                const float least = (b < 4 ? 0.25f : 0.5f) * event.step[c] + 1.26f * past[b];
                float was = ear.energy(event.frame - before - 1, b);
                for (auto f = event.frame - before; f <= event.frame + 13; ++f) {
                    const float is = ear.energy(f, b);
                    if (is >= least) {
                        const float early =
                            is > was ? std::clamp((is - least) / (is - was), 0.0f, 1.0f) : 0.0f;
                        reached.emplace_back(
                            static_cast<float>(f) - early,
                            std::min(decibels(event.step[c] / event.hidden[c]), kClearestDb));
                        all += reached.back().second;
                        break;
                    }
                    was = is;
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
/// up for it: the ring of a drum beats, and a crash in its mic flickers, but in few bands and by little. A
/// cymbal rings on in its own mic nearly as loud as it is struck; there the other mics tell too. So they do
/// of a ghost while a kick rings in the snare's mic; but less surely, since all else is heard there as well.
float HitFinder::seen_db(const HitEvent& event, const Part& part) const {
    constexpr float kRules = 0.5f; // of the power: more than all other parts together
    constexpr float kElsewhere = 1.0f / 3.0f;
    constexpr float kScatter = 2.0f; // 3 dB, what a channel scatters: it adds no more than it is known for
    const auto& source = model_.sources()[part.source];
    float own = 0.0f, all = 0.0f;
    for (std::size_t m = 0; m < who_.mics.size(); ++m)
        for (auto c = m * kScanBands; c < (m + 1) * kScanBands; ++c) {
            if (part.share[c] <= kRules) continue;
            const float its_own = std::min(event.step[c], kScatter * part.power[c]);
            const float over = std::max(0.0f, decibels(its_own) - decibels(event.hidden[c]));
            all += over;
            if (who_.near[m] == source.drum) own += over;
        }
    if (source.plate()) return all;
    return source.drum == Drum::snare && own > 0.0f ? std::max(own, kElsewhere * all) : own;
}

/// Whether all else that was struck stays under the 5 % of its first peaks at which a wave begins, in its own
/// mic. Never said of a cymbal: what a loud head does in its mic is known too little.
bool HitFinder::clear_in_own_mic(const Part& part) const {
    constexpr float kClear = 1.0f - 0.05f * 0.05f;
    const auto& source = model_.sources()[part.source];
    const auto own = source.own;
    float mine = 0.0f, all = 0.0f;
    for (std::size_t b = 0; own && b < kScanBands; ++b) {
        const auto c = *own * kScanBands + b;
        if (part.share[c] > 0.0f) mine += part.power[c], all += part.power[c] / part.share[c];
    }
    return own && !source.plate() && mine > kClear * all;
}

std::vector<KnownStroke> HitFinder::strokes_of(Drum drum) const {
    std::vector<KnownStroke> all;
    for (std::size_t i = 0; i < events_.size(); ++i)
        for (const auto& p : parts_[i]) {
            const auto& source = model_.sources()[p.source];
            if (events_[i].of_cymbal && !(source.plate() && source.own)) continue;
            if (source.drum != drum || (source.own && seen_db(events_[i], p) < kLeastSeenDb)) continue;
            const auto f = source.own ? onset(events_[i], p, std::span(&*source.own, 1))
                                      : onset(events_[i], p, who_.overheads);
            all.push_back({p.source, i, events_[i].frame, f, decibels(p.level), clear_in_own_mic(p)});
        }
    if (is_plate(drum)) ask_overheads(all);
    return thinned(std::move(all), drum);
}

/// In a cymbal's own mic its ring flickers: where it seems to begin at another moment than the overheads say
/// too, these decide.
void HitFinder::ask_overheads(std::span<KnownStroke> strokes) const {
    constexpr float kAgree = 2.0f; // frames: kAgree_s, by which time_s() tells another drum
    std::vector<std::optional<float>> begins;
    std::vector<float> sooner;
    for (const auto& s : strokes) {
        auto places = who_.overheads;
        if (const auto own = model_.sources()[s.source].own) places.push_back(*own);
        const auto& parts = parts_[s.event];
        const auto part =
            std::find_if(parts.begin(), parts.end(), [&](const Part& p) { return p.source == s.source; });
        begins.push_back(onset(events_[s.event], *part, places));
        if (begins.back() && s.onset) sooner.push_back(*begins.back() - *s.onset);
    }
    const float usual = quantile(sooner, 0.5);
    for (std::size_t i = 0; i < strokes.size(); ++i)
        if (auto& own = strokes[i].onset; begins[i] && !(own && std::abs(*begins[i] - usual - *own) < kAgree))
            own = *begins[i] - usual;
}

/// Strokes near which none of the others lies.
std::vector<KnownStroke> HitFinder::lone(std::span<const KnownStroke> strokes,
                                         std::span<const KnownStroke> others) {
    // Frames: first_arrival_s() looks at 17 ms before and 20 after, and sound crosses a kit in 9.
    constexpr std::ptrdiff_t kNear = 30;
    std::vector<KnownStroke> out;
    for (const auto& s : strokes)
        if (std::none_of(others.begin(), others.end(),
                         [&](auto& o) { return std::abs(o.frame - s.frame) < kNear; }))
            out.push_back(s);
    return out;
}

double HitFinder::seconds(std::size_t mic, float frame) const {
    return (static_cast<double>(frame) + static_cast<double>(ears_[mic].lag)) * 1e-3;
}

/// First arrivals of some strokes in a mic, less the event's time there.
std::vector<float> HitFinder::delays(std::size_t mic, double low_hz,
                                     std::span<const KnownStroke> strokes) const {
    constexpr std::size_t kEnough = 40; // more adds nothing to a median
    std::vector<float> out;
    const auto step = std::max<std::size_t>(strokes.size() / kEnough, 1);
    for (std::size_t i = 0; i < strokes.size(); i += step) {
        const double t = seconds(mic, events_[strokes[i].event].at);
        if (const auto at =
                first_arrival_s(take_, mic, low_hz, t - kHeardBefore_s, t + kHeardAfter_s, INFINITY))
            out.push_back(static_cast<float>(*at - t));
    }
    return out;
}

/// By how much arrivals are later than the frames in which strokes seem to begin.
double HitFinder::onset_delay_s(const Clock& clock, std::span<const KnownStroke> strokes) const {
    std::vector<float> all;
    for (const auto& s : strokes) {
        if (!s.onset) continue;
        const double t = seconds(clock.mic, events_[s.event].at) + clock.delay_s;
        if (const auto at = first_arrival_s(take_, clock.mic, clock.low_hz, t - kHeardBefore_s,
                                            t + kHeardAfter_s, INFINITY))
            all.push_back(static_cast<float>(*at - seconds(clock.mic, *s.onset)));
    }
    return quantile(all, 0.5);
}

/// The mic by which a drum's strokes are timed, its own or the first to hear it; and by how much the arrival
/// is later than the event there.
HitFinder::Clock HitFinder::clock_of(Drum drum, std::span<const KnownStroke> strokes,
                                     std::span<const KnownStroke> others) const {
    auto some = lone(strokes, others);
    if (some.size() < 3) some.assign(strokes.begin(), strokes.end());
    std::optional<Clock> first;
    double earliest = INFINITY;
    for (std::size_t m = 0; m < take_.mics.size(); ++m) {
        const auto own = own_mic(take_.mics, drum);
        if (own ? m != *own : is_room(take_.mics[m].role)) continue;
        auto all = delays(m, low_hz(drum), some);
        if (!own && 2 * all.size() < some.size()) continue;
        const double delay_s = quantile(all, 0.5);
        if (const double at = delay_s + seconds(m, 0.0f); at < earliest)
            earliest = at, first = Clock{m, low_hz(drum), delay_s, 0.0};
    }
    if (first) first->frame_delay_s = onset_delay_s(*first, some);
    const auto any = who_.overheads.empty() ? 0 : who_.overheads[0];
    return first.value_or(Clock{who_.mics[any], low_hz(drum), 0.0, 0.0});
}

/// By its samples where it was struck by itself, else by the frame in which what it rules begins.
double HitFinder::time_s(const KnownStroke& s, const Clock& clock, bool alone) const {
    constexpr double kLeast_s = 0.008; // half a period at 60 Hz, where drums are high-passed (low_hz())
    constexpr double kAhead_s = 0.001; // a frame: the next may begin before its event
    constexpr double kAgree_s = 0.002; // else it is another drum that arrives
    const double due = seconds(clock.mic, events_[s.event].at) + clock.delay_s;
    double end = INFINITY;
    if (s.event + 1 < events_.size())
        end =
            std::max(seconds(clock.mic, events_[s.event + 1].at) + clock.delay_s - kAhead_s, due + kLeast_s);
    const auto at =
        first_arrival_s(take_, clock.mic, clock.low_hz, due - kHeardBefore_s, due + kHeardAfter_s, end);
    if (!s.onset || (alone && at)) return at.value_or(due);
    const double about = seconds(clock.mic, *s.onset) + clock.frame_delay_s;
    return at && std::abs(*at - about) < kAgree_s ? *at : about;
}

/// When each mic hears a place's strokes, on the clock of the files.
std::vector<std::optional<float>> HitFinder::arrivals_ms(const Place& place) const {
    constexpr std::size_t kEnough = 9; // who hears it first shows in fewer than a clock takes
    std::vector<KnownStroke> some;
    const auto step = std::max<std::size_t>(place.members.size() / kEnough, 1);
    for (std::size_t i = 0; i < place.members.size(); i += step)
        some.push_back({0, place.members[i], 0, {}, 0.0f, false});
    std::vector<std::optional<float>> out(take_.mics.size());
    for (std::size_t m = 0; m < out.size(); ++m) {
        auto all = delays(m, low_hz(Drum::kick), some);
        if (2 * all.size() < some.size()) continue;
        out[m] = 1000.0f * quantile(all, 0.5) + static_cast<float>(ears_[m].lag);
    }
    return out;
}

/// How long after the first arrival of what came before, in a mic; ms.
std::optional<float> HitFinder::behind_ms(std::size_t event, std::size_t mic) const {
    constexpr float kWithin = 30.0f; // frames: a low snare's wires are back after 20, an event may be 7 ahead
    if (event == 0 || events_[event].at - events_[event - 1].at > kWithin) return std::nullopt;
    const double before = seconds(mic, events_[event - 1].at);
    const auto at = first_arrival_s(take_, mic, low_hz(Drum::snare), before - kHeardBefore_s,
                                    before + kHeardAfter_s, INFINITY);
    if (!at) return std::nullopt;
    return static_cast<float>(1000.0 * (seconds(mic, events_[event].at) - *at));
}

/// A hard stroke throws the wires off a snare's head, and they come back louder than its attack was. Places
/// of which nearly all strokes come at one distance behind another stroke are that and no strokes: no two
/// hands and feet keep a distance so well. @return whether there were any
bool HitFinder::drop_wires(std::span<const Place> places) {
    constexpr std::size_t kFewest = 3;
    constexpr float kNearlyAll = 0.8f;
    constexpr float kSteadyMs = 3.0f; // between the quartiles; of players 5 and more (from memory)
    const auto snare = own_mic(take_.mics, Drum::snare);
    if (!snare) return false;
    std::vector<bool> wires(events_.size(), false);
    for (const auto& p : places) {
        std::vector<float> behind;
        std::vector<std::size_t> these;
        for (const auto i : p.members)
            if (const auto ms = behind_ms(i, *snare)) behind.push_back(*ms), these.push_back(i);
        if (behind.size() < kFewest ||
            static_cast<float>(behind.size()) < kNearlyAll * static_cast<float>(p.members.size()) ||
            quantile(behind, 0.75) - quantile(behind, 0.25) > kSteadyMs)
            continue;
        for (const auto i : these) wires[i] = true;
    }
    std::size_t n = 0;
    return std::erase_if(events_, [&](const HitEvent&) { return wires[n++]; }) > 0;
}

void HitFinder::learn_sources() {
    const auto find = [&] {
        std::vector<Print> prints;
        for (const auto& e : events_) prints.push_back(e.print);
        return find_places(prints);
    };
    auto found = find();
    if (drop_wires(found)) found = find();
    const auto places =
        name_places(std::move(found), take_.mics, [&](const Place& p) { return arrivals_ms(p); });
    model_ = HitModel(sources_of(places, events_, who_));
    explain_all();
}

/// By their steps in all mics.
HitFinder::StrokesByDrum HitFinder::strokes() const {
    StrokesByDrum strokes;
    for (std::size_t d = 0; d < kDrumCount; ++d) strokes[d] = strokes_of(static_cast<Drum>(d));
    return strokes;
}

std::vector<FoundHit> HitFinder::find() {
    std::vector<FoundHit> hits;
    if (events_.empty()) return hits;
    learn_sources();
    const auto by_drum = strokes();
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        if (by_drum[d].empty()) continue;
        std::vector<KnownStroke> others;
        std::vector<float> strengths;
        for (std::size_t o = 0; o < kDrumCount; ++o)
            if (o != d) others.insert(others.end(), by_drum[o].begin(), by_drum[o].end());
        for (const auto& s : by_drum[d]) strengths.push_back(s.strength_db);
        const float softest = quantile(strengths, 0.5) - kSoftestDb;
        const auto clock = clock_of(static_cast<Drum>(d), by_drum[d], others);
        for (const auto& s : by_drum[d])
            if (s.strength_db >= softest)
                hits.push_back({static_cast<Drum>(d), clock.mic,
                                time_s(s, clock, s.clear || !lone(std::span(&s, 1), others).empty())});
    }
    std::stable_sort(hits.begin(), hits.end(),
                     [](const FoundHit& a, const FoundHit& b) { return a.time_s < b.time_s; });
    return hits;
}

} // namespace kitfold::dsp
