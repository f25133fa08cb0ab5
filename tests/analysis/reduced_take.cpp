#include "analysis/reduced_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

namespace kitfold::test {

using namespace kitfold::dsp;

namespace {

constexpr double kRateHz = 48'000.0;

/// Signals through one mic's gains, window by window; a class because the gains come that way.
class Parts {
public:
    Parts(const HardTake& take, Role role, std::size_t window)
        : fft_(window), own_(take.own.at(role)), mic_(take.mics[*take.simulator.mic(role)]), window_(window),
          own_out_(own_.size() + window, 0.0f), bleed_out_(own_out_) {
        for (std::size_t n = 0; n < window; ++n)
            window_[n] = static_cast<float>(
                std::sin(std::numbers::pi * static_cast<double>(n) / static_cast<double>(window)));
        for (const auto& h : take.hits)
            if (h.drum == own_drum(role)) times_.push_back(static_cast<std::size_t>(h.time_s * kRateHz));
        for (const float x : own_) loudest_ = std::max(loudest_, static_cast<double>(x * x));
        loudest_ *= static_cast<double>(window * window) / 16.0; // of a bin, as a sine would have it
    }

    /// The window that ends at `end`, with these gains.
    void add(std::size_t end, std::span<const float> gains) {
        const std::size_t size = fft_.size();
        if (end < size || end > own_.size()) return;
        const std::size_t at = end - size;
        std::vector<float> bleed(size), own(size);
        for (std::size_t n = 0; n < size; ++n)
            own[n] = window_[n] * own_[at + n], bleed[n] = window_[n] * (mic_[at + n] - own_[at + n]);
        std::vector<std::complex<float>> o(fft_.bins()), b(fft_.bins());
        fft_.forward(own, o), fft_.forward(bleed, b);
        if (since(at + size / 2) < static_cast<std::size_t>(0.4 * kRateHz)) compare(o, b, gains);
        put(o, gains, at, own_out_), put(b, gains, at, bleed_out_);
    }

    [[nodiscard]] ReductionVerdict verdict() const {
        double own_in = 0.0, own_out = 0.0, bleed_in = 0.0, bleed_out = 0.0, apart_in = 0.0, apart_out = 0.0;
        const std::size_t edge = fft_.size(); // windows here begin one window in
        for (std::size_t n = edge; n + edge < own_.size(); ++n) {
            const double x = own_[n], y = mic_[n] - own_[n], u = own_out_[n], v = bleed_out_[n];
            own_in += x * x, own_out += u * u, bleed_in += y * y, bleed_out += v * v;
            if (since(n) > static_cast<std::size_t>(0.35 * kRateHz) && since(n + 2400) > 2400)
                apart_in += y * y, apart_out += v * v;
        }
        ReductionVerdict v{db(own_out, own_in), softest_db(), db(bleed_out, bleed_in),
                           db(apart_out, apart_in)};
        v.before_lsd_db = before_ / windows_, v.after_lsd_db = after_ / windows_,
        v.own_lsd_db = alone_ / windows_;
        return v;
    }

private:
    /// Samples since the last own hit.
    [[nodiscard]] std::size_t since(std::size_t n) const {
        const auto next = std::upper_bound(times_.begin(), times_.end(), n);
        return next == times_.begin() ? own_.size() : n - *(next - 1);
    }

    void compare(const std::vector<std::complex<float>>& own, const std::vector<std::complex<float>>& bleed,
                 std::span<const float> gains) {
        double before = 0.0, after = 0.0, alone = 0.0;
        const auto bins = static_cast<std::size_t>(12'000.0 / kRateHz * static_cast<double>(fft_.size()));
        const auto level = [&](std::complex<float> x) {
            return 10.0 * std::log10(static_cast<double>(std::norm(x)) + 1e-6 * loudest_);
        };
        for (std::size_t k = 0; k < bins; ++k) {
            const double clean = level(own[k]);
            before += std::pow(level(own[k] + bleed[k]) - clean, 2);
            after += std::pow(level(gains[k] * (own[k] + bleed[k])) - clean, 2);
            alone += std::pow(level(gains[k] * own[k]) - clean, 2);
        }
        const auto mean = [&](double sum) { return std::sqrt(sum / static_cast<double>(bins)); };
        before_ += mean(before), after_ += mean(after), alone_ += mean(alone), windows_ += 1.0;
    }

    void put(std::vector<std::complex<float>> spectrum, std::span<const float> gains, std::size_t at,
             std::vector<float>& out) {
        std::vector<float> part(fft_.size());
        for (std::size_t k = 0; k < spectrum.size(); ++k) spectrum[k] *= gains[k];
        fft_.inverse(spectrum, part);
        for (std::size_t n = 0; n < part.size(); ++n) out[at + n] += window_[n] * part[n];
    }

    [[nodiscard]] double softest_db() const {
        double softest = 0.0;
        for (const auto t : times_) {
            if (t < fft_.size() || t + 4800 + fft_.size() > own_.size()) continue;
            double in = 0.0, out = 0.0;
            for (std::size_t n = t; n < t + 4800; ++n)
                in += double(own_[n]) * double(own_[n]), out += double(own_out_[n]) * double(own_out_[n]);
            softest = std::min(softest, db(out, in));
        }
        return softest;
    }

    RealFft fft_;
    const std::vector<float>&own_, &mic_;
    std::vector<float> window_, own_out_, bleed_out_;
    std::vector<std::size_t> times_;
    double loudest_ = 0.0, before_ = 0.0, after_ = 0.0, alone_ = 0.0, windows_ = 0.0;
};

} // namespace

std::map<Role, ReductionVerdict> judge_reduction(const HardTake& take, const BleedTransfer& transfer,
                                                 const std::vector<Role>& roles, double reduction_db) {
    std::vector<double> reductions(take.mics.size(), 0.0);
    for (const Role role : roles) reductions[*take.simulator.mic(role)] = reduction_db;
    BleedReducer reducer;
    REQUIRE(reducer.prepare(kRateHz, take.take.mics, transfer, reductions));
    const std::size_t window = reducer.latency(), hop = window / 2;
    std::vector<Parts> parts;
    parts.reserve(roles.size());
    for (const Role role : roles) {
        REQUIRE(reducer.reduces(*take.simulator.mic(role)));
        parts.emplace_back(take, role, window);
    }
    std::vector<std::vector<float>> block(take.mics.size(), std::vector<float>(hop));
    std::vector<float*> rows;
    for (auto& b : block) rows.push_back(b.data());
    for (std::size_t at = 0; at + hop <= take.mics[0].size(); at += hop) {
        for (std::size_t m = 0; m < block.size(); ++m)
            std::copy_n(take.mics[m].begin() + static_cast<std::ptrdiff_t>(at), hop, block[m].begin());
        reducer.process(rows.data(), hop);
        for (std::size_t i = 0; i < roles.size(); ++i)
            parts[i].add(at + hop, reducer.gains(*take.simulator.mic(roles[i])));
    }
    std::map<Role, ReductionVerdict> out;
    for (std::size_t i = 0; i < roles.size(); ++i) out[roles[i]] = parts[i].verdict();
    return out;
}

} // namespace kitfold::test
