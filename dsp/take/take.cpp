#include "take/take.h"
#include <algorithm>
#include <utility>

namespace kitfold::dsp {

Take take_of(double rate_hz, std::vector<TakeMic> mics, std::vector<std::span<const float>> samples) {
    Take take;
    take.rate_hz = rate_hz;
    take.mics = std::move(mics);
    for (const auto& s : samples) take.length = std::max(take.length, static_cast<std::int64_t>(s.size()));
    take.read = [samples = std::move(samples)](std::size_t mic, std::int64_t start, std::span<float> out) {
        const auto& from = samples[mic];
        const auto size = static_cast<std::int64_t>(from.size());
        const auto wanted = static_cast<std::int64_t>(out.size());
        const auto first = std::clamp<std::int64_t>(-start, 0, wanted);
        const auto last = std::clamp<std::int64_t>(size - start, first, wanted);
        std::fill(out.begin(), out.begin() + first, 0.0f);
        std::copy(from.begin() + (start + first), from.begin() + (start + last), out.begin() + first);
        std::fill(out.begin() + last, out.end(), 0.0f);
    };
    return take;
}

std::optional<std::size_t> own_mic(std::span<const TakeMic> mics, Drum drum) noexcept {
    std::optional<std::size_t> best;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        if (own_drum(mics[m].role) != drum) continue;
        if (!best || mics[m].role < mics[*best].role)
            best = m; // the roles are listed inner and upper mic first
    }
    return best;
}

std::optional<OverheadPair> overhead_pair(std::span<const TakeMic> mics) noexcept {
    std::optional<std::size_t> left, right;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        if (mics[m].role == Role::overhead_left && !left) left = m;
        if (mics[m].role == Role::overhead_right && !right) right = m;
    }
    if (!left || !right) return std::nullopt;
    return OverheadPair{*left, *right};
}

} // namespace kitfold::dsp
