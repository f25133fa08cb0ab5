#pragma once
// First arrival of a drum in one mic relative to another, from many hits.
#include "core/fft.h"
#include "take/excerpts.h"
#include <complex>
#include <vector>

namespace kitfold::dsp {

inline constexpr double kArrivalBeforeMs = 50.0; ///< what the excerpts must span around the hit
inline constexpr double kArrivalAfterMs = 100.0;
inline constexpr double kArrivalRangeMs = 40.0; ///< delays that are looked for, either sign

struct FirstArrival {
    double delay_ms = 0.0;   ///< how much later b hears the drum than a
    bool opposite = false;   ///< b answers upside down
    double confidence = 0.0; ///< 0..1: onset, correlations and groups of hits agree
    double spread_ms = 0.0;  ///< median absolute deviation over groups of hits
};

/// Correlations alone lock onto a later, stronger cycle, onto what leaks into both mics from elsewhere, or
/// onto the side lobes of a narrow band. So three of them only nominate arrivals, and the onset chooses, most
/// of all where several agree: the arrival before which b is quiet and after which it is not. The three
/// (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976, for the first two):
///  - whitened, weighted by the coherence of both mics over the hits;
///  - whitened, weighted by how well hits repeat, between different hits only: what both mics share by chance
///  or from
///    other drums cancels;
///  - the same through one short prediction-error filter for both mics, which keeps the attack in one place.
/// Keeps its plans, so make one per rate and reuse it; const calls may run on several threads.
class ArrivalFinder {
public:
    /// Spectra of the hits in mic a, to compare any number of others with. The excerpts have to outlive it.
    struct Source;

    explicit ArrivalFinder(double rate_hz);

    /// @param a_offset_ms when a hears the drum, re the origin of the excerpts (0 if a is the drum's own mic)
    /// Needs kArrivalBeforeMs and kArrivalAfterMs in the excerpts, aligned. Fewer than 3 hits: the confidence
    /// is 0.
    [[nodiscard]] Source source(const DrumExcerpts& hits, std::size_t a, double a_offset_ms = 0.0) const;
    [[nodiscard]] FirstArrival find(const Source& a, std::size_t b) const;
    [[nodiscard]] FirstArrival find(const DrumExcerpts& hits, std::size_t a, std::size_t b,
                                    double a_offset_ms = 0.0) const;

private:
    struct HitSpectra;
    struct Sums;
    struct Nominee;
    struct Choice;
    [[nodiscard]] HitSpectra transform(const Source& a, std::size_t b) const;
    [[nodiscard]] Sums add_up(const HitSpectra& spectra, std::size_t group, std::size_t groups) const;
    void nominate(std::vector<Nominee>& to, std::size_t estimator,
                  std::span<const std::complex<float>> cross) const;
    [[nodiscard]] std::vector<float> typical_power(const HitSpectra& spectra, std::size_t group,
                                                   std::size_t groups,
                                                   std::span<const std::complex<float>> filter) const;
    [[nodiscard]] static Choice pick(std::span<const Nominee> nominees);
    [[nodiscard]] Choice choose(const HitSpectra& spectra, std::size_t group, std::size_t groups,
                                double a_at_ms) const;

    double rate_hz_;
    std::size_t length_;
    RealFft fft_;
    std::size_t finer_;
    RealFft fine_;
    std::vector<float> bell_; ///< weight of a bin
};

struct ArrivalFinder::Source {
    const DrumExcerpts* hits = nullptr;
    double offset_ms = 0.0;
    std::size_t bins = 0;
    /// [hit][bin]: a long and an attack's piece, scaled to the same level and laid over one another; what did
    /// that.
    std::vector<std::complex<float>> whole, attack, back;
};

} // namespace kitfold::dsp
