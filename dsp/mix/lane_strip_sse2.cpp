#if defined(__x86_64__)
#include "mix/lane_damp_of.h"
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_sse2();
std::unique_ptr<LaneStrip> make_lane_strip_sse2() {
    return std::make_unique<LaneStripOf<xsimd::batch<double, xsimd::sse2>>>();
}

std::unique_ptr<LaneDamp> make_lane_damp_sse2();
std::unique_ptr<LaneDamp> make_lane_damp_sse2() {
    return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::sse2>>>();
}

} // namespace kitfold::dsp
#endif
