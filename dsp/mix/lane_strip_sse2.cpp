#if defined(__x86_64__)
#include "mix/lane_damp_of.h"
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_sse2(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_sse2(std::size_t mics) {
    using Four = xsimd::batch<float, xsimd::sse2>;
    using Two = xsimd::batch<double, xsimd::sse2>;
    if (mics <= 2) return std::make_unique<LaneStripOf<Four, Two>>();
    return std::make_unique<LaneStripOf<Four, Two, Two>>();
}

std::unique_ptr<LaneDamp> make_lane_damp_sse2();
std::unique_ptr<LaneDamp> make_lane_damp_sse2() {
    return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::sse2>>>();
}

} // namespace kitfold::dsp
#endif
