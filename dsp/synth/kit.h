#pragma once
// The drums of the demo kit, where they stand, and the mics in front of them. Sizes, tunings and mic places
// are those of a plain four-piece kit (22 inch kick, 14 snare, 12 rack, 16 floor tom): common practice, no
// source.
#include "synth/drum_voice.h"
#include "synth/room.h"
#include "synth/simulator.h"
#include <array>
#include <complex>
#include <string>
#include <vector>

namespace kitfold::dsp {

/// A radiating surface may sound only inside the kick (where its inside mic is) or only outside.
enum class Heard { everywhere, inside_kick, outside_kick };

struct KitRadiator {
    Radiator radiator; ///< its `signal` counts within the drum
    Heard heard = Heard::everywhere;
};

struct KitDrum {
    Drum drum = Drum::kick;
    Position position;
    std::vector<SignalModel> signals; ///< the first is the struck surface
    std::vector<KitRadiator> radiators;
};

/// Tuning and places vary a little with the seed: no two sessions set up alike.
std::vector<KitDrum> build_drums(const SimulatorOptions& options);
std::vector<SimulatedMic> build_mics(const SimulatorOptions& options);
Room build_room(const SimulatorOptions& options);

/// Every straight arrival of a drum at a mic, one for each of its radiators that has modes, in their order;
/// gain 0 where the mic doesn't hear it. With the kick's shell, without mic gain, lateness and reflections.
std::vector<Arrival> straight_arrivals(const KitDrum& drum, const SimulatedMic& mic, double speed_of_sound);
/// How much of the outside a mic hears: 1, or less inside the kick.
double openness(const SimulatedMic& mic, const KitRadiator& radiator) noexcept;
/// What shell, floor and stands bring before the air does, for a lifelike kit: faint, and on the way of
/// `straight`.
std::vector<Arrival> forerunners(const Arrival& straight, const KitRadiator& radiator, double speed_of_sound);
/// A lifelike mic, and what it makes of something `distance_m` away: a second-order roll-off below, a lift in
/// the presence range, and the lows that a pattern other than omni gains near a source. The same seed and
/// role give the same mic.
class MicResponse {
public:
    MicResponse(const SimulatedMic& mic, double distance_m, double speed_of_sound, std::uint64_t seed);
    [[nodiscard]] std::complex<double> at(double hz) const noexcept;

private:
    double corner_, presence_, lift_, near_;
};
/// Reflections inside a drum's shell at its own mics, for the trap.
std::vector<Arrival> shell_arrivals(const Arrival& straight, const SimulatedMic& mic, std::uint64_t seed);

inline constexpr std::array kKitDrums{Drum::kick,  Drum::snare, Drum::rack_tom, Drum::floor_tom,
                                      Drum::hihat, Drum::ride,  Drum::cymbals};

} // namespace kitfold::dsp
