#include "bleed/kit_key_strangers.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {
namespace {

constexpr double kLeastChannels = 12.0; // to compare two hits by: more than two mics have, of five bands
constexpr double kStrangeDb = 3.0;      // hits of one drum are 0.5 to 3 dB apart, of two drums 4 to 10

/// How unlike two hits are apart from how loud they are: standard deviation over channels, dB.
double distance_db(const std::vector<double>& a, const std::vector<double>& b) {
    double sum = 0.0, squares = 0.0, count = 0.0;
    for (std::size_t c = 0; c < a.size(); ++c)
        if (a[c] != kHidden && b[c] != kHidden)
            sum += a[c] - b[c], squares += (a[c] - b[c]) * (a[c] - b[c]), count += 1.0;
    if (count < kLeastChannels) return kHidden;
    return std::sqrt(std::max(0.0, squares / count - sum * sum / (count * count)));
}

} // namespace

std::vector<std::size_t> strangers(const HitPatterns& patterns, std::span<const std::size_t> own,
                                   std::span<const std::size_t> others) {
    constexpr std::size_t kNearest = 3; // a mistake in the list has other mistakes near it
    constexpr double kAbout = 1.25;     // times as far as the third
    std::vector<std::size_t> out;
    const auto distances = [&](std::size_t hit, std::span<const std::size_t> to) {
        std::vector<double> all;
        for (const auto k : to)
            if (k != hit) all.push_back(distance_db(patterns[hit], patterns[k]));
        std::sort(all.begin(), all.end());
        all.resize(std::max(all.size(), kNearest), kHidden);
        return all;
    };
    for (const auto hit : own) {
        const auto to_own = distances(hit, own), to_others = distances(hit, others);
        const double near_db = kAbout * to_own[kNearest - 1];
        const auto within = [near_db](const std::vector<double>& all) {
            return std::upper_bound(all.begin(), all.end(), near_db) - all.begin();
        };
        if (to_others[kNearest - 1] < kStrangeDb && within(to_others) > within(to_own)) out.push_back(hit);
    }
    return out;
}

} // namespace kitfold::dsp
