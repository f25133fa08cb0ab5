#include "hits/sources.h"
#include "core/median.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr float kShown = 3.0f;   // re what may hide it: three quarters of what is heard are the stroke
constexpr float kScatter = 4.0f; // 6 dB: four times what one place's strokes differ by

/// What a channel heard at one stroke, re the stroke's level.
struct Seen {
    float hidden = 0.0f;
    float step = 0.0f; ///< no less than the take's noise: as much may have stepped up
    [[nodiscard]] float most() const { return std::max(step, hidden); }
    [[nodiscard]] bool shown() const { return step > kShown * hidden; }
};

/// The events, and by channel the least that ever hides a step.
struct Moments {
    std::span<const HitEvent> events;
    std::vector<float> noise;

    explicit Moments(std::span<const HitEvent> all) : events(all) {
        if (!all.empty()) noise = all[0].hidden;
        for (const auto& e : all)
            for (std::size_t c = 0; c < noise.size(); ++c) noise[c] = std::min(noise[c], e.hidden[c]);
    }
    [[nodiscard]] Seen seen(std::size_t event, std::size_t channel, float level) const {
        const auto& e = events[event];
        return {e.hidden[channel] / level, std::max(e.step[channel], noise[channel]) / level};
    }
};

/// A source as its strokes show it, all else included that is struck with it each time.
struct Heard {
    Source source;
    std::vector<bool> shown; ///< by channel: the shape is what was heard, and not only no less than it
};

struct Usual {
    float step = 0.0f;
    bool shown = false;
};

/// Over the half of the strokes in which least rings on.
Usual usual(std::vector<Seen> all, double quantile_of) {
    constexpr std::size_t kFewest = 3; // that have a middle
    std::sort(all.begin(), all.end(), [](const Seen& a, const Seen& b) {
        return std::pair(a.hidden, a.step) < std::pair(b.hidden, b.step);
    });
    all.resize(std::max(std::min(all.size(), kFewest), (all.size() + 1) / 2));
    std::vector<float> hidden, steps;
    for (const auto& s : all) hidden.push_back(s.hidden), steps.push_back(s.step);
    return {quantile(steps, quantile_of), quantile(steps, 0.5) > kShown * quantile(hidden, 0.5)};
}

/// Of strokes to which others only add: the least that is heard, and what scatters about that. One in twenty
/// may be chance. @pre two strokes
Usual least(const std::vector<Seen>& all) {
    const auto rank = std::max<std::size_t>(1, all.size() / 20);
    std::vector<float> most, steps, kept;
    for (const auto& s : all) most.push_back(s.most()), steps.push_back(s.step);
    const float bottom = of_rank(most, rank);
    std::size_t shown = 0;
    for (const auto& s : all)
        if (s.most() < kScatter * bottom) kept.push_back(s.most()), shown += s.shown() ? 1 : 0;
    if (2 * shown > kept.size()) return {quantile(kept, 0.5), true};
    return {of_rank(steps, rank), false};
}

/// Power in the source's own mic, or in all.
float level_of(const HitEvent& event, std::optional<std::size_t> own) {
    const auto first = own ? *own * kScanBands : 0, last = own ? first + kScanBands : event.step.size();
    float sum = 1e-20f;
    for (auto c = first; c < last; ++c) sum += event.step[c];
    return sum;
}

/// Usual step in every channel at a typical loud hit. A cymbal without a mic is seldom alone: others only
/// add.
Heard heard(const NamedPlace& named, std::optional<std::size_t> own, const Moments& moments) {
    constexpr double kTypical = 0.6; // of levels: soft strokes are hidden in most channels
    // Of steps: near the middle, below it since others only add; least where heads speak.
    constexpr double kUsual = 0.4, kPlateLow = 0.15, kPlateHigh = 0.35;
    Heard out{{named.drum, own, {}}, {}};
    std::vector<float> levels;
    for (const auto i : named.place.members) levels.push_back(level_of(moments.events[i], own));
    auto sorted = levels;
    const float typical = quantile(sorted, kTypical);
    for (std::size_t c = 0; c < moments.noise.size(); ++c) {
        std::vector<Seen> all;
        for (std::size_t i = 0; i < levels.size(); ++i)
            all.push_back(moments.seen(named.place.members[i], c, levels[i]));
        const double of = own || !out.source.plate()         ? kUsual
                          : c % kScanBands < kFirstAbove1kHz ? kPlateLow
                                                             : kPlateHigh;
        const auto [step, shown] = usual(std::move(all), of);
        out.source.shape.push_back(typical * step);
        out.shown.push_back(shown);
    }
    return out;
}

/// Channel by channel re what the head's own mic hears in that band, which is the same at soft strokes and
/// loud ones. Strokes with something else beside it tell where that is hardly heard.
void compare_to_own_mic(Heard& head, const NamedPlace& named, const Moments& moments, const Listeners& who) {
    for (std::size_t c = 0; c < moments.noise.size(); ++c) {
        const auto mic = c / kScanBands, band = c % kScanBands;
        const auto own = *head.source.own * kScanBands + band;
        auto strokes = named.place.members;
        for (const auto& t : named.also)
            if (t.clear[who.mics[mic] * kScanBands + band])
                strokes.insert(strokes.end(), t.members.begin(), t.members.end());
        std::vector<Seen> all;
        for (const auto i : strokes) {
            const auto& e = moments.events[i];
            if (e.step[own] > kShown * e.hidden[own]) all.push_back(moments.seen(i, c, e.step[own]));
        }
        if (mic == *head.source.own || all.size() < 2) continue;
        const auto [step, shown] = least(all);
        head.source.shape[c] = head.source.shape[own] * step;
        head.shown[c] = shown;
    }
}

/// One head struck elsewhere or otherwise is heard in other mics much as in its own: what is struck with one
/// of its places each time is not with all.
void compare_places(std::vector<Heard>& all) {
    const auto whole = all;
    for (auto& a : all)
        for (const auto& b : whole) {
            if (!a.source.own || a.source.plate() || b.source.drum != a.source.drum) continue;
            for (std::size_t c = 0; c < a.source.shape.size(); ++c) {
                const auto own = *a.source.own * kScanBands + c % kScanBands;
                if (!b.shown[c] || !b.shown[own]) continue;
                const float ratio = b.source.shape[c] / b.source.shape[own];
                a.source.shape[c] = std::min(a.source.shape[c], kScatter * ratio * a.source.shape[own]);
            }
        }
}

constexpr float kChannelScatters = 2.0f; // 3 dB, kScatterDb in hit_model.cpp

/// Power re its shape at which a cymbal is in a head's: by the channels in which the head has least beside
/// it, those of the cymbal's own mic among them. Wires may be as bright as a cymbal in every channel; but
/// where a snare holds one, it is the same part of it in all channels that the snare itself hardly reaches.
float level_within(const Source& head, const Heard& cymbal) {
    constexpr double kLeast = 0.1, kHardlyReached = 0.33; // ranks; the tenth below the first may be chance
    constexpr std::size_t kFewest = 8; // channels of two mics at least: one has six above 200 Hz
    std::vector<float> all, own;
    for (std::size_t c = 0; c < head.shape.size(); ++c) {
        if (!cymbal.shown[c] || c % kScanBands < 2) continue;
        all.push_back(head.shape[c] / cymbal.source.shape[c]);
        if (c / kScanBands == cymbal.source.own) own.push_back(all.back());
    }
    if (all.size() < kFewest) return 0.0f;
    const float level = quantile(all, kLeast);
    if (head.drum == Drum::snare && quantile(all, kHardlyReached) > kChannelScatters * level) return 0.0f;
    return own.empty() ? level : std::min(level, quantile(own, kLeast));
}

constexpr float kLeastLeft = 0.1f; // of what may be the cymbal's; with none, any sound there denies the head

/// Takes cymbals out of heads: a snare that is never struck without the hi-hat would otherwise contain it.
/// Then the hi-hat is in there about as loud as it is by itself.
void separate(std::vector<Heard>& all) {
    for (auto& head : all) {
        if (head.source.plate()) continue;
        const auto whole = head.source;
        for (const auto& cymbal : all) {
            if (!cymbal.source.plate()) continue;
            const float level = level_within(whole, cymbal);
            if (level * kChannelScatters < 1.0f) continue;
            for (std::size_t c = 0; c < whole.shape.size(); ++c)
                head.source.shape[c] =
                    std::min(head.source.shape[c], std::max(whole.shape[c] - level * cymbal.source.shape[c],
                                                            kLeastLeft * whole.shape[c]));
        }
    }
}

/// Whether a head's shape in a band is a cymbal's in all mics but the head's own, as far as both show it: a
/// place has a pattern over mics of its own.
bool is_cymbals_band(const Heard& head, const Heard& cymbal, std::size_t band) {
    constexpr std::size_t kFewest = 3; // mics: two are alike by chance
    if (!head.source.own || !cymbal.source.own) return false;
    float least = INFINITY, most = 0.0f;
    std::size_t count = 0;
    for (auto c = band; c < head.shown.size(); c += kScanBands) {
        if (c / kScanBands == *head.source.own || !head.shown[c] || !cymbal.shown[c]) continue;
        const float ratio = head.source.shape[c] / cymbal.source.shape[c];
        least = std::min(least, ratio), most = std::max(most, ratio), ++count;
    }
    return count >= kFewest && most < kScatter * least && most > 1.0f / kChannelScatters &&
           least < kChannelScatters;
}

/// A ride that rings on covers most of its stroke: only in some bands is it heard with the kick each time.
void separate_bands(std::vector<Heard>& all) {
    for (auto& head : all) {
        if (head.source.plate()) continue;
        for (std::size_t b = 0; b < kScanBands; ++b) {
            if (std::none_of(all.begin(), all.end(),
                             [&](const Heard& h) { return h.source.plate() && is_cymbals_band(head, h, b); }))
                continue;
            for (auto c = b; c < head.shown.size(); c += kScanBands)
                if (c / kScanBands != *head.source.own) head.source.shape[c] *= kLeastLeft;
        }
    }
}

} // namespace

std::vector<Source> sources_of(std::span<const NamedPlace> places, std::span<const HitEvent> events,
                               const Listeners& who) {
    const Moments moments(events);
    std::vector<Heard> all;
    for (const auto& p : places) {
        std::optional<std::size_t> own;
        for (const auto& [drum, mic] : who.own)
            if (p.drum == drum) own = mic;
        all.push_back(heard(p, own, moments));
        if (own && !all.back().source.plate()) compare_to_own_mic(all.back(), p, moments, who);
    }
    compare_places(all);
    separate_bands(all);
    separate(all);
    std::vector<Source> out;
    for (auto& h : all) out.push_back(std::move(h.source));
    return out;
}

} // namespace kitfold::dsp
