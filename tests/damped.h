#pragma once
// What tests of Damp share: the block run over a recording, and the level of each partial by least squares.
#include "dynamics/damp.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <span>
#include <vector>

namespace kitfold::test {

/// x through Damp with these settings from its start on.
inline std::vector<float> damped(const dsp::DampSettings& settings, double rate_hz, std::vector<float> x) {
    dsp::Damp<float> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(settings) == nullptr);
    damp.process(x.data(), x.data(), x.size());
    return x;
}

struct RingingTone {
    double hz, ring_ms, level = 1.0; ///< level: amplitude at the stroke
};

/// Levels in dB of decaying tones in a Hann-windowed frame of 80 ms, all of them at once by least squares, so
/// that a weak tone beside a strong one keeps its own.
class ToneLevels {
public:
    ToneLevels(double rate_hz, const std::vector<RingingTone>& tones)
        : length_(static_cast<std::size_t>(kFrame_s * rate_hz)), rows_(2 * tones.size()) {
        std::vector<double> basis(rows_ * length_), window(length_);
        for (std::size_t i = 0; i < length_; ++i) {
            const double t = double(i) / rate_hz;
            window[i] = 0.5 - 0.5 * std::cos(2.0 * M_PI * (double(i) + 0.5) / double(length_));
            for (std::size_t k = 0; k < tones.size(); ++k) {
                const double fall = std::exp(-6907.755279 / tones[k].ring_ms * t),
                             phase = 2.0 * M_PI * tones[k].hz * t;
                basis[2 * k * length_ + i] = fall * std::cos(phase);
                basis[(2 * k + 1) * length_ + i] = fall * std::sin(phase);
            }
        }
        solve(basis, window);
    }
    static constexpr double kFrame_s = 0.08;

    [[nodiscard]] std::vector<double> at(std::span<const float> x, std::size_t from) const {
        std::vector<double> out;
        for (std::size_t k = 0; k < rows_; k += 2) {
            const double re = product(k, x, from), im = product(k + 1, x, from);
            out.push_back(10.0 * std::log10(re * re + im * im + 1e-30));
        }
        return out;
    }

private:
    [[nodiscard]] double product(std::size_t row, std::span<const float> x, std::size_t from) const {
        double sum = 0.0;
        const auto count = std::min(length_, x.size() - std::min(x.size(), from));
        for (std::size_t i = 0; i < count; ++i) sum += weights_[row * length_ + i] * double(x[from + i]);
        return sum;
    }
    /// weights = (B W B')^-1 B W by elimination; the matrix is positive definite, so it needs no pivots.
    void solve(const std::vector<double>& basis, const std::vector<double>& window) {
        std::vector<double> a(rows_ * rows_);
        weights_ = basis;
        for (std::size_t r = 0; r < rows_; ++r)
            for (std::size_t i = 0; i < length_; ++i) weights_[r * length_ + i] *= window[i];
        for (std::size_t r = 0; r < rows_; ++r)
            for (std::size_t c = 0; c < rows_; ++c)
                for (std::size_t i = 0; i < length_; ++i)
                    a[r * rows_ + c] += weights_[r * length_ + i] * basis[c * length_ + i];
        for (std::size_t p = 0; p < rows_; ++p)
            for (std::size_t r = 0; r < rows_; ++r) {
                const double f = r == p ? 0.0 : a[r * rows_ + p] / a[p * rows_ + p];
                if (f == 0.0) continue;
                for (std::size_t c = p; c < rows_; ++c) a[r * rows_ + c] -= f * a[p * rows_ + c];
                for (std::size_t i = 0; i < length_; ++i)
                    weights_[r * length_ + i] -= f * weights_[p * length_ + i];
            }
        for (std::size_t r = 0; r < rows_; ++r)
            for (std::size_t i = 0; i < length_; ++i) weights_[r * length_ + i] /= a[r * rows_ + r];
    }

    std::size_t length_, rows_;
    std::vector<double> weights_; // row by row
};

} // namespace kitfold::test
