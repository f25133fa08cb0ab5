#pragma once
// Quantiles of any number of powers.
#include "core/units.h"
#include "settings/kit_key_table.h"
#include <algorithm>
#include <cstdint>
#include <vector>

namespace kitfold::dsp {

/// Counts of powers in half decibels, for quantiles of any number of values.
class PowerCounts {
public:
    void add(double power) {
        if (counts_.empty()) counts_.assign(kBins, 0);
        const double bin = power > 0.0 ? 2.0 * (db_from_power(power) + kBottomDb) : 0.0;
        ++counts_[static_cast<std::size_t>(std::clamp(bin, 0.0, kBins - 1.0))], ++total_;
    }
    [[nodiscard]] std::size_t total() const noexcept { return total_; }
    [[nodiscard]] double quantile_db(double q) const {
        const double wanted = q * static_cast<double>(total_);
        double seen = 0.0;
        for (std::size_t b = 0; b < counts_.size(); ++b)
            if ((seen += static_cast<double>(counts_[b])) >= wanted && seen > 0.0)
                return static_cast<double>(b) / 2.0 - kBottomDb + 0.25;
        return kOffDb;
    }

private:
    static constexpr std::size_t kBins = 480;  ///< half decibels, up to +60 dB
    static constexpr double kBottomDb = 180.0; ///< far under what 24 bits hold
    std::vector<std::uint32_t> counts_;
    std::size_t total_ = 0;
};

} // namespace kitfold::dsp
