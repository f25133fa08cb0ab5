#pragma once
// How much of one mic is owed to a drum, re the mic that the drum is measured by: what the strokes of the
// drum have in common in both, and how well the strokes agree about it.
#include "core/fft.h"
#include "take/excerpts.h"
#include <complex>
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr double kShareLeadMs = 5.0, kShareTailMs = 55.0; ///< taken of a stroke, re its arrival
inline constexpr double kShareWindowMs = kShareLeadMs + kShareTailMs;
/// Another drum that begins this long after a stroke sounds in the window after the stroke's own, which ends
/// 110 ms after it and has all but faded by then: at 140 bpm the next sixteenth comes after 107 ms.
inline constexpr double kShareNextFromMs = 30.0, kShareNextToMs = 106.0;
inline constexpr std::size_t kFewestStrokes = 3; ///< the fewest that have a middle

/// Spectra of all strokes of a drum in one mic, kShareWindowMs long, from kShareLeadMs before `at_ms` re the
/// arrival in the drum's own mic on. Squares sum to the energy: the bin at 0 Hz counts half.
class StrokeSpectra {
public:
    StrokeSpectra(const DrumExcerpts& hits, std::size_t mic, double at_ms, const RealFft& fft);
    [[nodiscard]] std::size_t bins() const noexcept { return bins_; }
    [[nodiscard]] std::size_t strokes() const noexcept { return spectra_.size() / bins_; }
    [[nodiscard]] std::span<const std::complex<float>> of(std::size_t stroke) const noexcept {
        return std::span(spectra_).subspan(stroke * bins_, bins_);
    }
    [[nodiscard]] double energy(std::size_t stroke, std::size_t from, std::size_t to) const noexcept;

private:
    std::size_t bins_;
    std::vector<std::complex<float>> spectra_;
};

struct FrequencyBand {
    std::size_t from = 0, to = 0; ///< bins
};

/// Energy per stroke and band: at the stroke, and as long before, which shows what rings on anyway.
struct StrokeEnergies {
    StrokeEnergies(const StrokeSpectra& at_stroke, const StrokeSpectra& earlier,
                   std::span<const FrequencyBand> in, std::span<const double> weights);
    [[nodiscard]] double risen(std::size_t stroke, std::size_t band) const noexcept {
        return at[stroke * bands + band] - before[stroke * bands + band];
    }
    /// The stroke stands out of what rings on.
    [[nodiscard]] bool clear(std::size_t stroke, std::size_t band) const noexcept;

    std::size_t bands;
    std::vector<double> at, before;
};

/// A figure and its standard error.
struct Estimate {
    double value = 0.0, error = 0.0;
};

/// One mic: its spectra at the strokes, in the window before and in the one after.
struct StrokesInMic {
    StrokeSpectra at, before, after;
    StrokesInMic(const DrumExcerpts& hits, std::size_t mic, double lag_ms, const RealFft& fft);
};

/// The mic that the drum is measured by.
struct OwnStrokes {
    /// @param lowest first bin that counts  @param clean strokes with nothing new in the window after
    OwnStrokes(const DrumExcerpts& hits, std::size_t mic, std::size_t lowest, std::vector<bool> clean,
               const RealFft& fft);
    /// Enough of it rises with the drum to measure others by it.
    [[nodiscard]] bool known() const noexcept { return known_; }

    StrokesInMic in_mic;
    std::vector<double> weights; ///< of the strokes: each counts the same
    std::vector<FrequencyBand> bands;
    StrokeEnergies energies;
    std::vector<bool> clean;
    std::vector<double> energy; ///< of each band in the window, all strokes
    std::vector<double> tail;   ///< share of it that the next window still has

private:
    bool known_ = false;
};

/// Energy that the drum leaves in `b` until it has died away, re the same in its own mic. Two ways of seeing
/// it are brought together band by band, each as far as it can be trusted: what follows stroke for stroke
/// (coherent output power, Bendat and Piersol, Random Data, ch. 6), which unrelated sound doesn't reach, and
/// how much more there is than before the stroke, which sees wires and second heads too. The error holds what
/// halves of the strokes say, how far the two disagree and what is not known of the decay.
struct BleedShare {
    Estimate level;        ///< power ratio; may be negative when nothing is there
    double apart_db = 0.0; ///< between the two ways
};
BleedShare bleed_share(const OwnStrokes& own, const StrokesInMic& b);

/// Samples, within +-reach, by which b hears the drum later than a: peak of the coherence-weighted
/// correlation. @pre the spectra are of windows padded by `reach` at least
double stroke_lag(const StrokeSpectra& a, const StrokeSpectra& b, std::span<const double> weights,
                  const RealFft& fft, double reach);

} // namespace kitfold::dsp
