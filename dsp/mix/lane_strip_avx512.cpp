#if defined(__x86_64__)
#include "mix/lane_damp_of.h"
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_avx512(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_avx512(std::size_t mics) {
    using Eight = xsimd::batch<double, xsimd::avx512f>;
    using Four = xsimd::batch<double, xsimd::avx2>;
    using Sixteen = xsimd::batch<float, xsimd::avx512f>;
    if (mics <= 4) return std::make_unique<LaneStripOf<xsimd::batch<float, xsimd::sse4_2>, Four>>();
    if (mics <= 8) return std::make_unique<LaneStripOf<xsimd::batch<float, xsimd::avx2>, Eight>>();
    if (mics <= 12) return std::make_unique<LaneStripOf<Sixteen, Eight, Four>>();
    return std::make_unique<LaneStripOf<Sixteen, Eight, Eight>>();
}

std::unique_ptr<LaneDamp> make_lane_damp_avx512(std::size_t mics);
std::unique_ptr<LaneDamp> make_lane_damp_avx512(std::size_t mics) {
    if (mics <= 4) return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::sse4_2>>>();
    if (mics <= 8) return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::avx2>>>();
    return std::make_unique<LaneDampOf<xsimd::batch<float, xsimd::avx512f>>>();
}

} // namespace kitfold::dsp
#endif
