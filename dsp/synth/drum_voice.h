#pragma once
// One drum or cymbal as a sound source: each radiating surface is one signal, the pressure it makes at 1 m.
#include "core/units.h"
#include "synth/membrane.h"
#include "synth/modal_bank.h"
#include "synth/performance.h"
#include "synth/random.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A mode and what a stroke does to it.
struct VoicedMode {
    Mode mode;
    double weight = 1.0; ///< amplitude for a full stroke where its shape is 1
    std::optional<MembraneMode>
        head;                 ///< of a head: excited by where the stroke falls and how short the contact is
    double turned = 0.0;      ///< radians by which the nodal lines are turned
    double delta_alpha = 0.0; ///< 1/s that deadening adds
};

/// Filtered noise with a rise and a fall: snare wires, the wash of a cymbal.
struct VoicedNoise {
    double low_hz = 2'000.0, high_hz = 9'000.0;
    double rise_ms = 1.0, fall_ms = 60.0; ///< time constants
    double fall_open_ms = 60.0;           ///< hi-hat with the pedal up
    double level = 0.0;                   ///< RMS at its height for a full stroke; 0: none
    double bite = 1.0;                    ///< level grows with force to this power
    double delta_alpha = 0.0;             ///< 1/s that deadening adds
};

/// One radiating surface.
struct SignalModel {
    std::vector<VoicedMode> modes;
    VoicedNoise noise;
    double contact_ms = 1.0; ///< of a full stroke; softer strokes last longer and so are darker
    double glide = 0.0;      ///< rise of pitch right after a full stroke, by the head's own stretch
    double glide_ms = 50.0;
    double closed_damping = 1.0; ///< alpha times this while the pedal is down
    double bite = 1.0;           ///< modes that are no head's grow with force to this power
    bool dense = false;          ///< hundreds of modes: kept in single precision
    bool pushed = false;         ///< a stroke is a push of contact_ms, and no blow of one moment
    double push_spread = 0.2;    ///< chance from stroke to stroke: log of a push's length
};

/// Peak force of a stroke re a full one.
inline double force_of(const Stroke& stroke) noexcept { return gain_from_db(stroke.strength_db); }
/// How long a stroke touches, in ms, without chance: softer strokes longer.
double contact_ms(const SignalModel& signal, const Stroke& stroke) noexcept;
/// Amplitude of a mode after a stroke, without the chance that makes strokes differ.
double struck_amplitude(const SignalModel& signal, const VoicedMode& mode, const Stroke& stroke);

/// Renders one surface from start to end. Same bits whatever the lengths of the pieces.
class SurfaceVoice {
public:
    /// @param strokes of this drum, rising time; must outlive the voice
    SurfaceVoice(const SignalModel& model, double rate_hz, std::span<const Stroke> strokes,
                 std::uint64_t seed);
    /// Overwrites `out` with the next samples. Returns false when all of them are zero.
    bool render(std::span<float> out);

private:
    /// A part of a stroke that falls in one moment.
    struct Blow {
        double time_s = 0.0;
        const Stroke* stroke = nullptr;
        double share = 1.0; ///< of the stroke
        bool first = true;  ///< of the stroke
    };
    void plan_blows(std::span<const Stroke> strokes, std::uint64_t seed);
    void draw_amplitudes(const Stroke& stroke);
    void strike(const Blow& blow, double since_s);
    void run(std::span<float> out);
    void run_noise(std::span<float> out) noexcept;

    const SignalModel* model_;
    double rate_hz_;
    std::vector<Blow> blows_;
    Random chance_;
    WhiteNoise white_;
    std::optional<ModalBank<double>> few_;
    std::optional<ModalBank<float>> many_;
    std::vector<double> amplitudes_, blow_;
    const Stroke* drawn_ = nullptr; ///< whose amplitudes these are
    std::size_t next_ = 0;
    std::int64_t now_ = 0;
    double stretch_ = 0.0, stretch_step_ = 0.0;
    // Noise: rising and falling part of the envelope, and two filters of second order.
    double rise_ = 0.0, fall_ = 0.0, rise_step_ = 0.0, fall_step_ = 0.0;
    // The fall without deadening says how long numbers are drawn: both kits rattle to the same ones.
    double open_fall_ = 0.0, open_fall_step_ = 0.0;
    struct Section {
        double b0 = 0, b1 = 0, b2 = 0, a1 = 0, a2 = 0, z1 = 0, z2 = 0;
        double next(double x) noexcept {
            const double y = b0 * x + z1;
            z1 = b1 * x - a1 * y + z2;
            z2 = b2 * x - a2 * y;
            return y;
        }
    };
    static Section section(double hz, double rate_hz, bool high_pass);
    Section high_pass_, low_pass_;
    double noise_scale_ = 0.0;
};

} // namespace kitfold::dsp
