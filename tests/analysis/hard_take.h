#pragma once
// Takes that a gate of one channel cannot manage, and how a gate did on them against the simulator's truth.
#include "bleed/kit_key_learn.h"
#include "synth/simulator.h"
#include <map>
#include <vector>

namespace kitfold::test {

/// A take of 60 s with its true hits and each close mic's own drum by itself. Not to be moved: the take looks
/// at the samples.
class HardTake {
public:
    /// louder_bleed: the loudest strokes of snare and cymbals are 2 dB louder in each tom mic than the tom's
    /// own loudest.
    HardTake(dsp::Style style, std::uint64_t seed, bool louder_bleed = false);
    HardTake(const HardTake&) = delete;
    HardTake& operator=(const HardTake&) = delete;

    dsp::Simulator simulator;
    dsp::Simulator::Planar mics;
    std::map<dsp::Role, std::vector<float>> own; ///< the mic with nothing but its drum
    dsp::Take take;
    std::vector<dsp::Hit> hits;                             ///< as the drum's own mic hears them
    [[nodiscard]] std::vector<dsp::Hit> found_hits() const; ///< as `check` finds them

private:
    void raise(dsp::Drum drum);
};

struct GateVerdict {
    int hits = 0;
    int missed = 0;        ///< own hits 15 ms after which the gate is not open (-3 dB)
    int wrong = 0;         ///< openings (-6 dB) from 50 ms after an own hit to 12 ms before the next
    double kept_db = 0.0;  ///< own drum's energy behind the gate re before it
    double soft_db = 0.0;  ///< the least that is left of an own hit's first 100 ms
    double bleed_db = 0.0; ///< all else from 1 s after an own hit to 20 ms before the next, likewise
    std::vector<double> missed_s, wrong_s; ///< when
};

/// A gate with this key on the mic of `role`.
GateVerdict judge(const HardTake& take, dsp::Role role, const std::vector<float>& key,
                  const dsp::GateSettings& settings);

/// The keys of every mic; the table has been learned from the take or from another.
std::vector<std::vector<float>> keys_of(const HardTake& take, const dsp::KitKeyTable& table);

/// The plain gate that errs least in this take, for every threshold in steps of step_db and each of its key
/// filters. It has to take bleed between hits down by 20 dB or more: a gate that stays open misses nothing.
struct PlainGate {
    dsp::GateSettings settings;
    GateVerdict verdict;
};
PlainGate best_plain_gate(const HardTake& take, dsp::Role role, const dsp::GateSettings& like,
                          double step_db);

/// Of the close mic of this role. @pre there is one
const dsp::KitKeyProposal& proposal_of(const HardTake& take, const dsp::LearnedKitKey& learned,
                                       dsp::Role role);

/// Of two energies, no less than -120; 0 when there is nothing to compare with.
double db(double out, double in);

dsp::GateSettings tom_gate(double threshold_db);

} // namespace kitfold::test
