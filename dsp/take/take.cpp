#include "take/take.h"
#include <algorithm>
#include <array>
#include <utility>

namespace kitfold::dsp {

namespace {

constexpr std::array<std::string_view, kDrumCount> kDrumNames{
    "kick", "snare", "rack_tom", "rack_tom_2", "floor_tom", "floor_tom_2", "hihat", "ride", "cymbals"};

} // namespace

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

std::string_view drum_name(Drum drum) noexcept { return kDrumNames[static_cast<std::size_t>(drum)]; }

std::optional<Drum> drum_named(std::string_view name) noexcept {
    const auto at = std::find(kDrumNames.begin(), kDrumNames.end(), name);
    if (at == kDrumNames.end()) return std::nullopt;
    return static_cast<Drum>(at - kDrumNames.begin());
}

std::optional<Drum> own_drum(Role role) noexcept {
    switch (role) {
    case Role::kick_in:
    case Role::kick_out:
        return Drum::kick;
    case Role::snare_top:
    case Role::snare_bottom:
        return Drum::snare;
    case Role::rack_tom:
        return Drum::rack_tom;
    case Role::rack_tom_2:
        return Drum::rack_tom_2;
    case Role::floor_tom:
        return Drum::floor_tom;
    case Role::floor_tom_2:
        return Drum::floor_tom_2;
    case Role::hihat:
        return Drum::hihat;
    case Role::ride:
        return Drum::ride;
    default:
        return std::nullopt;
    }
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
