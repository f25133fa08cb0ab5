#include "offline/session/strips.h"

namespace kitfold::offline {

dsp::MixSettings mix_settings(const Session& session) {
    dsp::MixSettings out;
    for (const auto& mic : session.mics) out.strips.push_back({mic.mix, mic.filters, mic.gate, mic.damp});
    out.sum = session.sum, out.bus = session.bus, out.output_level_db = session.output.level_db;
    out.table = session.bleed;
    return out;
}

std::vector<dsp::StereoGain> gains_of(const Session& session, double rate_hz) {
    dsp::PanMix mix;
    std::vector<dsp::StereoGain> gains;
    if (!mix.prepare(rate_hz, session.mics.size())) return gains;
    for (std::size_t m = 0; m < session.mics.size(); ++m) (void)mix.set(m, session.mics[m].mix);
    (void)mix.set(session.sum);
    mix.settle();
    for (std::size_t m = 0; m < session.mics.size(); ++m) gains.push_back(mix.gain(m));
    return gains;
}

} // namespace kitfold::offline
