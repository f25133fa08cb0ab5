#include "offline/check/gain_advice.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

double loudest_stroke(const dsp::MicMeasure& measure, std::span<const dsp::Hit> hits) {
    constexpr double kBefore_ms = 5.0, kAfter_ms = 50.0;
    float loudest = 0.0f;
    const auto frames = std::ssize(measure.frame_highest);
    const auto frame = [&](double ms) { return std::clamp<std::ptrdiff_t>(std::ptrdiff_t(ms), 0, frames); };
    for (const auto& hit : hits) {
        const double at_ms = 1'000.0 * hit.time_s;
        for (auto f = frame(at_ms - kBefore_ms); f < frame(at_ms + kAfter_ms); ++f)
            loudest = std::max(
                {loudest, measure.frame_highest[std::size_t(f)], -measure.frame_lowest[std::size_t(f)]});
    }
    return double(hits.empty() ? measure.peak() : loudest);
}

} // namespace

std::optional<GainAdvice> gain_advice(const dsp::MicMeasure& measure, std::span<const dsp::Hit> hits,
                                      bool clipped) {
    constexpr double kNothing_dbfs = -60.0;
    constexpr double kTarget_db = 10.0; // when turned up: the remedy of low_level says the same
    const double peak_dbfs = dsp::db_from_gain(loudest_stroke(measure, hits), dsp::kSilentDb);
    if (peak_dbfs < kNothing_dbfs) return std::nullopt;
    if (clipped) return GainAdvice{0.0, -int(kKeptHeadroom_db), true};
    const double headroom_db = std::max(0.0, -peak_dbfs);
    if (headroom_db < kKeptHeadroom_db)
        return GainAdvice{headroom_db, -int(std::ceil(kKeptHeadroom_db - headroom_db)), false};
    const bool low = headroom_db > kMostHeadroom_db;
    return GainAdvice{headroom_db, low ? int(std::floor(headroom_db - kTarget_db)) : 0, false};
}

std::string gain_words(const GainAdvice& advice) {
    if (advice.turn_db == 0) return "leave";
    return fmt::format("{} {} dB{}", advice.turn_db > 0 ? "up" : "down", std::abs(advice.turn_db),
                       advice.clipped ? " or more" : "");
}

} // namespace kitfold::offline
