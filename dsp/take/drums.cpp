#include "take/drums.h"
#include <algorithm>
#include <array>

namespace kitfold::dsp {

namespace {

constexpr std::array<std::string_view, kDrumCount> kDrumNames{
    "kick", "snare", "rack_tom", "rack_tom_2", "floor_tom", "floor_tom_2", "hihat", "ride", "cymbals"};

constexpr std::array<std::string_view, kDrumCount> kSpokenNames{
    "kick",   "snare", "rack tom", "second rack tom", "floor tom", "second floor tom",
    "hi-hat", "ride",  "cymbals"};

} // namespace

std::string_view spoken_name(Drum drum) noexcept { return kSpokenNames[static_cast<std::size_t>(drum)]; }

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

} // namespace kitfold::dsp
