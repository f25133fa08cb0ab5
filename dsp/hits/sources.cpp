#include "hits/sources.h"
#include "core/median.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kFewestExamples = 3;

bool plate(const Source& s) { return s.drum && is_plate(*s.drum); }

/// A source, the events that show it best, and how it is heard there, other drums included.
struct FirstIdea {
    Source source;
    std::vector<std::size_t> examples;
    std::vector<float> heard;
    std::vector<Drum> with; ///< heads with a mic that are struck with it each time

    /// A head is in a cymbal's strokes only if its own mic says so: what else a loud cymbal does there is its
    /// own.
    [[nodiscard]] bool may_contain(const Source& head) const {
        return !head.own || std::find(with.begin(), with.end(), head.drum) != with.end();
    }
};

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
    seen.resize(std::max(std::min(seen.size(), kFewestExamples), (seen.size() + 1) / 2));
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

/// Levels are taken in the source's own mic, or in all.
FirstIdea idea_of(const NamedPlace& named, std::optional<std::size_t> own, std::span<const HitEvent> events) {
    FirstIdea out{{named.drum, own, {}}, named.place.members, {}, named.with};
    std::vector<Loud> louds;
    for (const auto i : out.examples) {
        float sum = 1e-20f;
        const auto& step = events[i].step;
        const auto first = own ? *own * kScanBands : 0, last = own ? first + kScanBands : step.size();
        for (auto c = first; c < last; ++c) sum += step[c];
        louds.push_back({i, sum});
    }
    const bool plate = named.drum && is_plate(*named.drum) && !own;
    out.heard = out.source.shape =
        plate ? usual_shape(events, louds, 0.15, 0.35) : usual_shape(events, louds, 0.4, 0.4);
    return out;
}

/// Takes out of each shape what the other sources explain: a snare that is never struck without the hi-hat
/// would otherwise contain it.
void separate(std::vector<FirstIdea>& ideas, std::span<const HitEvent> events) {
    constexpr float kLeastLeft = 0.01f;
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
                if (plate(ideas[o].source) == plate(ideas[s].source) ||
                    (plate(ideas[s].source) && !ideas[s].may_contain(ideas[o].source)))
                    continue;
                const float evident = model.evident(o, e);
                for (std::size_t c = 0; c < other.size(); ++c)
                    other[c] = std::max(other[c], evident * ideas[o].heard[c]);
            }
            for (std::size_t c = 0; c < other.size(); ++c)
                ratios[c].push_back(std::max(e.step[c] - other[c], 0.0f) / level);
        }
        if (ratios[0].size() >= 2)
            for (std::size_t c = 0; c < shape.size(); ++c)
                shape[c] =
                    std::clamp(quantile(ratios[c], 0.5), kLeastLeft * ideas[s].heard[c], ideas[s].heard[c]);
    }
}

/// A cymbal without a mic, heard in the mic of a head that was struck with it each time, is far below that
/// head where heads speak; it would otherwise contain it.
void keep_out_of_heads(std::vector<FirstIdea>& ideas) {
    constexpr float kFarBelow = 0.01f; // 20 dB
    for (auto& cymbal : ideas) {
        if (cymbal.source.own || !plate(cymbal.source)) continue;
        for (const auto& head : ideas) {
            if (!head.source.own || plate(head.source) || !cymbal.may_contain(head.source)) continue;
            for (std::size_t b = 0; b < kFirstAbove1kHz; ++b) {
                const auto c = *head.source.own * kScanBands + b;
                cymbal.source.shape[c] = std::min(cymbal.source.shape[c], kFarBelow * head.heard[c]);
            }
        }
    }
}

} // namespace

std::vector<Source> sources_of(std::span<const NamedPlace> places, std::span<const HitEvent> events,
                               const Listeners& who) {
    std::vector<FirstIdea> ideas;
    for (const auto& p : places) {
        std::optional<std::size_t> own;
        for (const auto& [drum, mic] : who.own)
            if (p.drum == drum) own = mic;
        ideas.push_back(idea_of(p, own, events));
    }
    separate(ideas, events);
    keep_out_of_heads(ideas);
    std::vector<Source> out;
    for (auto& i : ideas) out.push_back(std::move(i.source));
    return out;
}

} // namespace kitfold::dsp
