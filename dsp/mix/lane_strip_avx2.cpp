#if defined(__x86_64__)
#include "mix/lane_damp_of.h"
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_avx2(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_avx2(std::size_t mics) {
    using Four = xsimd::batch<double, xsimd::avx2>;
    if (mics <= 4) return std::make_unique<LaneStripOf<xsimd::batch<float, xsimd::sse4_2>, Four>>();
    return std::make_unique<LaneStripOf<xsimd::batch<float, xsimd::avx2>, Four, Four>>();
}

std::unique_ptr<LaneDamp> make_lane_damp_avx2(std::size_t mics);
std::unique_ptr<LaneDamp> make_lane_damp_avx2(std::size_t mics) {
    if (mics <= 4) return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::sse4_2>>>();
    return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::avx2>>>();
}

} // namespace kitfold::dsp
#endif
