#pragma once
// Damp's settings as the controls hold them: the block's, the number of rings, each ring's; then "learn".
#include "settings/parameters.h"
#include <span>

namespace kitfold::plugins::damp_values {

inline std::size_t rings_at() noexcept { return dsp::fields<dsp::DampSettings>().size(); }
inline std::size_t ring_fields() noexcept { return dsp::fields<dsp::RingBand>().size(); }
inline std::size_t learn_at() noexcept { return rings_at() + 1 + dsp::kRingBands * ring_fields(); }

template <class Values> auto of_ring(Values values, std::size_t ring) noexcept {
    return values.subspan(rings_at() + 1 + ring * ring_fields(), ring_fields());
}

inline dsp::DampSettings to_settings(std::span<const double> values) noexcept {
    dsp::DampSettings settings;
    for (std::size_t i = 0; const auto& field : dsp::fields<dsp::DampSettings>())
        field.put(settings, values[i++]);
    settings.band_count = static_cast<std::size_t>(values[rings_at()]);
    for (std::size_t ring = 0; ring < dsp::kRingBands; ++ring)
        for (std::size_t i = 0; const auto& field : dsp::fields<dsp::RingBand>())
            field.put(settings.bands[ring], of_ring(values, ring)[i++]);
    return settings;
}

inline void put(const dsp::DampSettings& settings, std::span<double> values) noexcept {
    for (std::size_t i = 0; const auto& field : dsp::fields<dsp::DampSettings>())
        values[i++] = field.of(settings);
    values[rings_at()] = static_cast<double>(settings.band_count);
    for (std::size_t ring = 0; ring < dsp::kRingBands; ++ring)
        for (std::size_t i = 0; const auto& field : dsp::fields<dsp::RingBand>())
            of_ring(values, ring)[i++] = field.of(settings.bands[ring]);
}

} // namespace kitfold::plugins::damp_values
