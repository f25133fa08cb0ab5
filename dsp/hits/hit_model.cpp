#include "hits/hit_model.h"
#include "core/median.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr float kScatterDb = 3.0f;      // half a channel counts as unexplained when it is off by this
constexpr float kLeastGain = 3.0f;      // channels that a further source has to explain
constexpr float kLeastPlateGain = 2.0f; // one with a mic: six bands speak, and its ring covers half of these
constexpr float kColourDb = 4.0f;       // a hit's spectrum departs from its drum's by this or so
// Channels per dB that a source is more than 6 dB softer than it typically is. Without a mic of its own, at
// -26 dB it has to explain twice kLeastGain: a soft one fits what others leave over. Its own mic shows it.
constexpr float kSoftOwn = 0.035f, kSoftCost = 0.15f;
constexpr float kMostColourDb = 9.0f;  // spectra of one drum differ by 6 dB over velocity (places.cpp)
constexpr float kOwnMicCounts = 1.35f; // least of all else is heard there; how much more, chosen
constexpr std::size_t kMostParts = 4;  // two hands and two feet
constexpr float kSoftestSeen = 0.001f; // power re a typical hit, kSoftestDb: where less than that is covered
constexpr float kLeastVoice = 1e-5f; // power re the strongest channel: what is heard in weaker ones is others
constexpr float kVoice = 0.01f;      // power re the strongest channel of its own mic
constexpr float kSoftest = 3e-5f;    // power re a typical hit; fit() may raise it to kSoftestDb and more
constexpr float kSoft = 0.03f;       // what is softer is not plain to see
/// Low bands last shorter than their own period: they tell less.
constexpr BandLevels kWeight{0.4f, 0.6f, 0.9f, 1.0f, 1.0f, 1.0f, 1.0f, 0.9f};

/// Nothing as thin as a cymbal speaks below 200 Hz.
bool too_low_for(const Source& source, std::size_t channel) {
    return source.plate() && channel % kScanBands < 2;
}

} // namespace

HitModel::HitModel(std::vector<Source> sources) : sources_(std::move(sources)) {
    keep_possible();
    if (sources_.empty()) return;
    for (std::size_t c = 0; c < sources_[0].shape.size(); ++c) weight_.push_back(kWeight[c % kScanBands]);
    for (const auto& s : sources_)
        for (std::size_t b = 0; s.own && b < kScanBands; ++b)
            weight_[*s.own * kScanBands + b] = kOwnMicCounts * kWeight[b];
}

void HitModel::shape(Part& part) const {
    const auto& from = sources_[part.source].shape;
    part.power.resize(from.size());
    for (std::size_t c = 0; c < from.size(); ++c)
        part.power[c] = part.level * part.colour[c % kScanBands] * from[c];
}

/// The source at the level that its channels have in common, in its usual colour; none when softer than
/// `softest`.
std::optional<Part> HitModel::part_at(std::size_t source, std::vector<float>& ratios, float softest) const {
    Part part;
    part.source = source, part.level = quantile(ratios, 0.45);
    if (part.level < softest) return std::nullopt;
    part.colour.fill(1.0f);
    shape(part);
    return part;
}

/// Level from the channels of its own mic (all channels without one), after what is known already.
std::optional<Part> HitModel::first_guess(std::size_t source, const HitEvent& event,
                                          std::span<const float> known) const {
    const auto& s = sources_[source];
    const auto first = s.own ? *s.own * kScanBands : 0, last = s.own ? first + kScanBands : s.shape.size();
    float most = 0.0f;
    for (auto c = first; c < last; ++c) most = std::max(most, s.shape[c]);
    std::vector<float> ratios;
    for (auto c = first; c < last; ++c) {
        if (s.shape[c] < kLeastVoice * most) continue;
        const float left = event.step[c] - known[c], cover = event.hidden[c] + known[c];
        if (left < 0.5f * event.step[c] && cover > 0.1f * s.shape[c]) continue;
        if (left < 0.3f * event.hidden[c] && event.hidden[c] > kSoftestSeen * s.shape[c]) continue;
        ratios.push_back(std::max(left, 0.0f) / s.shape[c]);
    }
    if (ratios.size() < (s.own ? 1u : 2u)) return std::nullopt;
    return part_at(source, ratios, kSoftest);
}

/// A few steps towards the levels and colours that explain the event best; returns how many channels stay
/// unexplained, and what the colours cost.
float HitModel::fit(std::vector<Part>& parts, const HitEvent& event, int rounds) const {
    const auto channels = event.step.size();
    std::vector<float> off(channels), sum(channels);
    const auto look = [&] {
        for (std::size_t c = 0; c < channels; ++c) sum[c] = event.hidden[c];
        for (const auto& p : parts)
            for (std::size_t c = 0; c < channels; ++c) sum[c] += p.power[c];
        for (std::size_t c = 0; c < channels; ++c)
            off[c] = kDbPerDoubling * quick_log2((event.step[c] + event.hidden[c]) / sum[c]);
    };
    look();
    for (int round = 0; round < rounds; ++round) {
        for (auto& p : parts) {
            BandLevels pull{}, grip{};
            float all_pull = 0.0f, all_grip = 0.3f;
            for (std::size_t c = 0; c < channels; ++c) {
                const auto b = c % kScanBands;
                const float share = p.power[c] / sum[c];
                const float w = share * weight_[c] / (1.0f + off[c] * off[c] / 100.0f);
                pull[b] += w * off[c], grip[b] += w;
            }
            for (std::size_t b = 0; b < kScanBands; ++b) all_pull += pull[b], all_grip += grip[b];
            const float level = std::clamp(all_pull / all_grip, -8.0f, 8.0f);
            p.level *= from_db(level);
            for (std::size_t b = 0; b < kScanBands; ++b) {
                const float was = kDbPerDoubling * quick_log2(p.colour[b]);
                const float to = was + (pull[b] - level * grip[b] - 0.5f * was) / (grip[b] + 1.0f);
                p.colour[b] = from_db(std::clamp(to, -kMostColourDb, kMostColourDb));
            }
            shape(p);
        }
        look();
    }
    float cost = 0.0f;
    for (std::size_t c = 0; c < channels; ++c) {
        const float x = off[c] * off[c];
        cost += weight_[c] * x / (x + kScatterDb * kScatterDb);
    }
    for (const auto& p : parts) {
        for (const float gain : p.colour) {
            const float db = kDbPerDoubling * quick_log2(gain);
            cost += 0.25f * db * db / (kColourDb * kColourDb);
        }
        cost += (sources_[p.source].own ? kSoftOwn : kSoftCost) *
                std::max(0.0f, -6.0f - kDbPerDoubling * quick_log2(p.level));
    }
    return cost;
}

float HitModel::least_gain(std::size_t source) const {
    return sources_[source].own && sources_[source].plate() ? kLeastPlateGain : kLeastGain;
}

/// A drum whose own mic plainly shows it beside what the others put there, whatever covers it elsewhere.
std::optional<Part> HitModel::plain_in_own_mic(std::size_t source, const HitEvent& event,
                                               std::span<const Part> parts) const {
    constexpr float kOverOthers = 4.0f; // 6 dB: twice what a channel scatters
    const auto& s = sources_[source];
    if (!s.own || std::any_of(parts.begin(), parts.end(),
                              [&](const Part& p) { return sources_[p.source].drum == s.drum; }))
        return std::nullopt;
    const auto first = *s.own * kScanBands;
    const float most = *std::max_element(s.shape.begin() + static_cast<std::ptrdiff_t>(first),
                                         s.shape.begin() + static_cast<std::ptrdiff_t>(first + kScanBands));
    BandLevels known{};
    for (const auto& p : parts)
        for (std::size_t b = 0; b < kScanBands; ++b) known[b] += p.power[first + b];
    std::vector<float> ratios;
    float voice = 0.0f;
    for (auto c = first; c < first + kScanBands; ++c) {
        if (s.shape[c] < kVoice * most) continue;
        voice += 1.0f;
        if (event.step[c] > kOverOthers * known[c - first] && event.step[c] > event.hidden[c])
            ratios.push_back((event.step[c] - known[c - first]) / s.shape[c]);
    }
    if (ratios.size() < 2 || static_cast<float>(ratios.size()) < 0.5f * voice) return std::nullopt;
    return part_at(source, ratios, kSoft);
}

std::vector<Part> HitModel::explain(const HitEvent& event) const {
    std::vector<Part> parts;
    if (sources_.empty()) return parts;
    float cost = fit(parts, event, 0);
    std::vector<float> known(event.step.size());
    while (parts.size() < kMostParts) {
        std::fill(known.begin(), known.end(), 0.0f);
        for (const auto& p : parts)
            for (std::size_t c = 0; c < known.size(); ++c) known[c] += p.power[c];
        std::vector<Part> best;
        float most = 0.0f, least = cost;
        for (std::size_t s = 0; s < sources_.size(); ++s) {
            if (std::any_of(parts.begin(), parts.end(), [&](const Part& p) {
                    return p.source == s || (sources_[s].drum && sources_[p.source].drum == sources_[s].drum);
                }))
                continue;
            const auto guess = first_guess(s, event, known);
            if (!guess) continue;
            auto with = parts;
            with.push_back(*guess);
            const float c = fit(with, event, 3);
            const float over = cost - c - least_gain(s);
            if (over > most) most = over, least = c, best = std::move(with);
        }
        if (best.empty()) break;
        parts = std::move(best), cost = least;
    }
    for (std::size_t i = 0; parts.size() > 1 && i < parts.size();) {
        auto without = parts;
        without.erase(without.begin() + static_cast<std::ptrdiff_t>(i));
        const float c = fit(without, event, 3);
        if (c < cost + least_gain(parts[i].source))
            parts = std::move(without), cost = c, i = 0;
        else
            ++i;
    }
    for (std::size_t s = 0; s < sources_.size(); ++s)
        if (auto part = plain_in_own_mic(s, event, parts)) parts.push_back(std::move(*part));
    for (auto& p : parts) {
        p.share.resize(known.size());
        for (std::size_t c = 0; c < known.size(); ++c) {
            float sum = 0.0f;
            for (const auto& q : parts) sum += q.power[c];
            p.share[c] = sum > 0.0f ? p.power[c] / sum : 0.0f;
        }
    }
    std::erase_if(parts, [&](const Part& p) {
        const auto own = sources_[p.source].own;
        std::size_t rules = 0;
        for (std::size_t b = 0; own && b < kScanBands; ++b)
            if (const auto c = *own * kScanBands + b;
                p.share[c] > 0.5f && p.power[c] > 0.5f * event.hidden[c])
                ++rules;
        return own && rules < 2;
    });
    return parts;
}

/// A cymbal without a mic, heard in the mic of a head where heads speak, is far below that head: one that is
/// struck with it each time would otherwise contain it.
void HitModel::keep_possible() {
    constexpr float kFarBelow = 0.01f; // 20 dB
    constexpr float kNothing = 1e-7f;  // re the strongest channel; shapes are divided by
    for (auto& s : sources_) {
        const float nothing = kNothing * *std::max_element(s.shape.begin(), s.shape.end());
        for (std::size_t c = 0; c < s.shape.size(); ++c)
            s.shape[c] = too_low_for(s, c) ? nothing : std::max(s.shape[c], nothing);
    }
    for (auto& s : sources_)
        for (const auto& head : sources_) {
            if (s.own || !s.plate() || !head.own || head.plate()) continue;
            const auto first = *head.own * kScanBands;
            for (auto c = first; c < first + kFirstAbove1kHz; ++c)
                s.shape[c] = std::min(s.shape[c], kFarBelow * head.shape[c]);
        }
}

} // namespace kitfold::dsp
