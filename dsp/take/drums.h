#pragma once
// The drums of a kit, and what a mic's role says of them.
#include "settings/settings.h"
#include <cstddef>
#include <optional>
#include <string_view>

namespace kitfold::dsp {

enum class Drum { kick, snare, rack_tom, rack_tom_2, floor_tom, floor_tom_2, hihat, ride, cymbals };
inline constexpr std::size_t kDrumCount = 9;
/// Hi-hat, ride, cymbals: bright, and they ring between their strokes.
constexpr bool is_plate(Drum d) noexcept { return d == Drum::hihat || d == Drum::ride || d == Drum::cymbals; }

/// "kick", "snare", "rack_tom", …: the values of `drum` in JSON.
std::string_view drum_name(Drum drum) noexcept;
/// "kick", "second rack tom", "hi-hat": what people say.
std::string_view spoken_name(Drum drum) noexcept;
std::optional<Drum> drum_named(std::string_view name) noexcept;

/// The drum that a close mic of this role is put up for; none for overheads, rooms and other.
std::optional<Drum> own_drum(Role role) noexcept;

constexpr bool is_overhead(Role r) noexcept {
    return r == Role::overhead_left || r == Role::overhead_right || r == Role::overhead_mono;
}
constexpr bool is_room(Role r) noexcept {
    return r == Role::room_left || r == Role::room_right || r == Role::room_mono;
}

} // namespace kitfold::dsp
