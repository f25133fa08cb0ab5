#pragma once
// From a radiating surface to a microphone: straight, and by way of the walls.
#include "synth/simulator.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

inline Position operator+(Position a, Position b) noexcept { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
inline Position operator-(Position a, Position b) noexcept { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
inline Position operator*(double k, Position a) noexcept { return {k * a.x, k * a.y, k * a.z}; }
inline double dot(Position a, Position b) noexcept { return a.x * b.x + a.y * b.y + a.z * b.z; }
double length(Position a) noexcept;
Position unit(Position a) noexcept; ///< @pre length(a) > 0

/// A surface that radiates one signal.
struct Radiator {
    std::size_t signal = 0;
    double gain = 1.0; ///< negative: it moves the other way
    Position position;
    Position axis{0.0, 0.0, 1.0};
    double pattern = 1.0;  ///< like a mic's, but never below 0: the drum itself is in the way
    double behind_m = 0.0; ///< way through the drum before the surface moves: adds delay, not distance
};

/// One arrival.
struct Arrival {
    double delay_s = 0.0;
    double gain = 0.0;
    int walls = 0; ///< that it met
};

struct Room {
    Position size{4.4, 5.2, 2.6};
    Position kit{2.3, 1.7, 0.0}; ///< where the kit's origin stands
    /// Pressure reflected by each wall at low frequencies: absorbers and gobos left, right, behind and in
    /// front; rug; hung ceiling. The top end is lost on top of that (room.cpp).
    double left = 0.5, right = 0.5, back = 0.45, front = 0.55, floor = 0.6, ceiling = 0.5;
    int most_walls = 5;
};

/// The straight arrival. Spherical spreading: gain 1 at 1 m; nearer than 4 cm counts as 4 cm.
Arrival direct_arrival(const Radiator& source, const SimulatedMic& mic, double speed_of_sound);
/// All others by image sources: Allen and Berkley, "Image method for efficiently simulating small-room
/// acoustics", JASA 65(4), 1979, with directional sources and mics.
std::vector<Arrival> wall_arrivals(const Room& room, const Radiator& source, const SimulatedMic& mic,
                                   double speed_of_sound);

/// Adds the arrivals to an impulse response, `lead` samples late: windowed sinc, sub-sample exact for the
/// straight ones and to 1/512 sample for those by walls, which lose their top end once per wall.
void add_arrivals(std::span<const Arrival> arrivals, double rate_hz, std::size_t lead,
                  std::span<float> response);
inline constexpr std::size_t kSincReach = 24; ///< samples to both sides; lead must be no less

} // namespace kitfold::dsp
