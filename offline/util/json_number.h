#pragma once
// Figures for machines.
#include "settings/settings_json.h"
#include <cmath>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

/// Two decimals are what a meter means; null stands for -inf and inf, which JSON doesn't know.
inline dsp::Json two_decimals(double value) {
    return std::isfinite(value) ? dsp::Json(std::round(value * 100.0) / 100.0 + 0.0) : dsp::Json(nullptr);
}

} // namespace kitfold::offline
