#pragma once
// A drum kit in a small treated room, as its microphones hear it, with the truth about every hit beside it.
//
//   SimulatorOptions options;                      // 30 s, 48 kHz, ten mics, open drums, a groove
//   options.seed = 7;
//   const Simulator simulator(options);
//   const auto mics = simulator.render();          // mics[m][n]: planar float, one vector per mic
//   const Truth& truth = simulator.truth();        // strokes, positions, delays, levels, partials
//   const auto bleed = simulator.measure_bleed();  // renders each drum alone: about as long as ten renders
//   const auto stem = simulator.render_drum(Drum::snare); // the snare alone in every mic, no mic noise
//   auto stream = simulator.stream();              // any length in constant memory: stream.read(pointers, n)
//   const Take take = take_of(options.rate_hz, simulator.take_mics(), spans of `mics`);
//
// The same options give the same samples on one machine, whatever the block size. The strokes depend on seed,
// seconds, tempo and style alone: at every rate, tone and mic list the drummer plays the same. Modes are
// sampled exactly, so the waveforms of two rates or tones agree too (noise apart). Gains of the mics do not
// depend on rate or tone.
//
// Axes in metres, as the drummer sits: x to the right, y away to the front, z up from the floor. The kit is
// right-handed: hi-hat at the drummer's left, floor tom at the right; overhead_left is on the hi-hat's side.
//
// Not for the audio thread: constructing and rendering allocate and take time. A Simulator is immutable after
// construction: any number of threads may render from it; a stream belongs to one thread.
#include "synth/performance.h"
#include "take/take.h"
#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

enum class Tone { open, deadened };

/// What makes real takes hard; all off by default. Truth follows every one of them.
struct Traps {
    bool mode_rich = false; ///< twice the modes, the upper ones loud and long
    bool shell_reflections =
        false; ///< close mics hear the shell 0.4 to 2.4 ms after the head, the kick out mic louder
    bool opposite_heads = false; ///< far heads start the other way round and later agree with the struck one
    bool hot_room = false;       ///< hard walls in every mic, room mic 6 dB up
    bool hot_bleed = false;      ///< in each close mic the loudest foreign drum is as loud as its own
    bool flipped_mics = false;   ///< every mic is upside down with probability one half, by seed
    bool swapped_overheads = false; ///< left and right cables exchanged
    bool spaced_overheads =
        false;                   ///< two cardioids 1.1 m apart, straight down, instead of the coincident pair
    double extra_delay_ms = 0.0; ///< 0..20: every mic is late by a random fraction of this, sub-sample
};

struct SimulatorOptions {
    double rate_hz = 48'000.0; ///< 8'000..192'000
    double seconds = 30.0;     ///< 0.2..3600
    std::uint64_t seed = 1;
    Tone tone = Tone::open;
    int mics = 10;            ///< 8 or 10; eight leave out hi-hat and room
    double tempo_bpm = 104.0; ///< 40..240
    Style style = Style::groove;
    double extra_noise_db = 0.0; ///< 0..40: mic noise above its usual -78 dBFS or so
    Traps traps;
    /// What real drums, mics and rooms have and a clean model lacks. A stroke pushes for as long as the stick
    /// touches, a little different each time, and the clicks differ more; the far head answers later and the
    /// other way round; a faint forerunner comes through shell and stands; mics cut their lows, lift their
    /// presence and, when close, the lows; walls answer nearly as loud as the straight way. Truth stays that
    /// of the straight ways.
    bool lifelike = false;
    bool turned_cable = false;   ///< the kick out mic's cable is wired upside down
    std::vector<Stroke> strokes; ///< played instead of `style` when not empty; any order
};

struct Position {
    double x = 0.0, y = 0.0, z = 0.0; ///< m
};

struct SimulatedMic {
    std::string name; ///< "Kick in": for people
    Role role = Role::other;
    Position position;
    Position axis; ///< unit vector, where it points
    double pattern =
        1.0; ///< gain towards angle a off axis: pattern + (1 - pattern) cos a; 1 omni, 0.5 cardioid
    bool flipped = false;      ///< by trap, or turned_cable
    double late_ms = 0.0;      ///< by trap; in every delay below
    double noise_dbfs = -78.0; ///< RMS of its own noise
};

/// The straight way from a drum to a mic. With several radiating heads: of the one that is heard first, heads
/// 12 dB under the loudest in that mic apart.
struct Direct {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    double delay_ms =
        0.0; ///< from the stroke to its first arrival in the file: distance / c (through the shell, too)
    double level_db =
        0.0; ///< gain of the path re the path to the drum's own close mic (unmiked drums: loudest mic)
    bool opposite =
        false; ///< first arrival upside down re a positive first arrival at the struck head's own mic
};

struct Partial {
    double hz = 0.0;
    double ring_ms = 0.0;          ///< T60 in this take
    double open_ring_ms = 0.0;     ///< T60 of the open drum
    double deadened_ring_ms = 0.0; ///< T60 of the deadened drum: alpha raised by delta_alpha
    double delta_alpha = 0.0;      ///< 1/s
    double level_db = 0.0; ///< amplitude at the onset of a full stroke re the strongest partial of the drum
};

struct DrumTruth {
    Drum drum = Drum::kick;
    Position position;                  ///< centre of the struck head or cymbal
    std::optional<std::size_t> own_mic; ///< index in mics
    std::vector<Partial> partials;      ///< of the struck head, rising frequency; none for cymbals (hundreds)
};

/// A drum between the overheads.
struct ImageTruth {
    Drum drum = Drum::kick;
    double level_difference_db = 0.0; ///< direct sound, left file re right file
    double time_difference_ms = 0.0;  ///< right later than left is positive
};

struct Truth {
    double speed_of_sound = 343.2; ///< m/s
    std::vector<Stroke> strokes;   ///< rising time
    std::vector<DrumTruth> drums;  ///< the drums of the kit, played or not
    std::vector<Direct> direct;    ///< every drum in every mic, drum by drum in the order of `drums`
    std::vector<ImageTruth> image;
    bool overheads_swapped = false, overheads_spaced = false;
    [[nodiscard]] const Direct& path(Drum drum, std::size_t mic) const; ///< std::out_of_range: not there
};

/// Energy of all of a drum's strokes, played alone and with no mic noise, from the first sample to the last
/// of the take, room included: in this mic, dB re the same in the drum's own close mic (unmiked drums: re the
/// loudest mic).
struct BleedTruth {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    double level_db = 0.0;
};

/// Ring of a drum: one full stroke, alone and with no noise, in its own close mic, room included. T60 by ISO
/// 3382-1: straight lines through Schroeder's backward integral (JASA 37, 1965), from the loudest 2 ms on.
struct RingTruth {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    double ring_ms = 0.0; ///< by the first 10 dB: early decay time
    double late_ms = 0.0; ///< by -5..-25 dB
};

class Simulator {
public:
    /// Throws std::invalid_argument with one line that names the option when one is out of range.
    explicit Simulator(const SimulatorOptions& options);
    ~Simulator();
    Simulator(Simulator&&) noexcept;
    Simulator& operator=(Simulator&&) noexcept;

    [[nodiscard]] const SimulatorOptions& options() const noexcept;
    [[nodiscard]] std::size_t frames() const noexcept; ///< samples per mic
    [[nodiscard]] std::span<const SimulatedMic> mics() const noexcept;
    [[nodiscard]] const Truth& truth() const noexcept;
    [[nodiscard]] std::vector<TakeMic> take_mics() const; ///< names and roles, nothing set, for take_of()
    [[nodiscard]] std::optional<std::size_t> mic(Role role) const noexcept;

    using Planar = std::vector<std::vector<float>>;
    [[nodiscard]] Planar render() const;
    [[nodiscard]] Planar render_drum(Drum drum) const; ///< no mic noise; all zeros when it is never struck
    /// Drums that are struck, every mic each.
    [[nodiscard]] std::vector<BleedTruth> measure_bleed() const;
    /// Kick, snare and toms, struck in the take or not.
    [[nodiscard]] std::vector<RingTruth> measure_rings() const;

    /// The take from its start, in pieces.
    class Stream {
    public:
        ~Stream();
        Stream(Stream&&) noexcept;
        Stream& operator=(Stream&&) noexcept;
        /// Writes up to `frames` samples to each of mics()[m]; returns how many, less only at the end.
        /// @pre mics.size() == number of mics
        std::size_t read(std::span<float* const> mics, std::size_t frames);

    private:
        friend class Simulator;
        struct State;
        explicit Stream(std::unique_ptr<State> state) noexcept;
        std::unique_ptr<State> state_;
    };
    [[nodiscard]] Stream stream() const;               ///< must not outlive the simulator
    [[nodiscard]] Stream stream_drum(Drum drum) const; ///< the same without noise and other drums

private:
    struct Kit;
    std::unique_ptr<const Kit> kit_;
};

} // namespace kitfold::dsp
