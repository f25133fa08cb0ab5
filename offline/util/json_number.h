#pragma once
// Figures for machines.
#include "settings/settings_json.h"
#include <cmath>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

/// To so many decimals, as figures are printed; what is not finite stays so.
inline double rounded(double value, int decimals) {
    const double scale = std::pow(10.0, decimals);
    return std::isfinite(value) ? std::round(value * scale) / scale : value;
}

/// Two decimals are what a meter means; null stands for -inf and inf, which JSON doesn't know.
inline dsp::Json two_decimals(double value) {
    return std::isfinite(value) ? dsp::Json(std::round(value * 100.0) / 100.0 + 0.0) : dsp::Json(nullptr);
}

} // namespace kitfold::offline
