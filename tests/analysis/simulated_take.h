#pragma once
// Takes of the simulator with their truth, and how far the analysis is from it.
#include "bleed/bleed.h"
#include "hits/hits.h"
#include "pairs/image.h"
#include "pairs/pairs.h"
#include "synth/simulator.h"
#include <functional>
#include <string>
#include <vector>

namespace kitfold::test {

/// Which mics of a simulated kit a take has.
enum class MicList {
    all,
    four,   ///< kick, snare and two overheads
    sixteen ///< all ten; two more rooms and four that are there for no drum, from a second, reverberant kit
};

/// A rendered take; not to be moved, since the take looks at the samples.
class SimulatedTake {
public:
    explicit SimulatedTake(const dsp::SimulatorOptions& options, MicList list = MicList::all);
    SimulatedTake(const SimulatedTake&) = delete;
    SimulatedTake& operator=(const SimulatedTake&) = delete;

    dsp::Simulator simulator;
    dsp::Simulator::Planar samples;
    dsp::Take take;
    /// The strokes as the drum's own mic hears them (without one: the first of the mics).
    std::vector<dsp::Hit> true_hits;
    std::vector<dsp::Hit> found_hits;
};

struct HitScore {
    std::size_t strokes = 0; ///< louder than -30 dB re the drum's median
    std::size_t missed = 0;  ///< of those, not within 2 ms
    std::size_t found = 0, wrong = 0;
};
/// Matches hits of one drum to its strokes, each once, within 2 ms. @param counts which strokes are to be
/// found
HitScore score_hits(
    const SimulatedTake& take, dsp::Drum drum,
    const std::function<bool(const dsp::Hit&)>& counts = [](const dsp::Hit&) { return true; });
/// All drums that have a mic.
HitScore score_close_mics(const SimulatedTake& take);

struct PairError {
    std::string what;
    double delay_ms = 0.0;     ///< found less true
    bool wrong_way_up = false; ///< by the first movement, where that is told
    double confidence = 0.0;
    bool judged = false;
    /// An arrival is where 5 % of the first wave is passed. The simulator lets each mic hear each mode at its
    /// own gain, so two mics pass that up to some 0.1 ms apart though the sound begins in both at once. The
    /// bound is the one that real recordings are held to: 6 samples at 44.1 kHz.
    [[nodiscard]] bool right() const { return std::abs(delay_ms) <= 0.136 && !wrong_way_up; }
};
std::vector<PairError> pair_errors(const SimulatedTake& take, const std::vector<dsp::Pair>& pairs);

struct Error {
    std::string what;
    double truth = 0.0, error = 0.0;
    bool upper_bound = false;
};
std::vector<Error> bleed_errors(const SimulatedTake& take, const std::vector<dsp::Bleed>& table);

double median_size(std::vector<double> errors);
double largest_size(const std::vector<double>& errors);

} // namespace kitfold::test
