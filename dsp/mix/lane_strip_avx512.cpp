#if defined(__x86_64__)
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_avx512(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_avx512(std::size_t mics) {
    using Eight = xsimd::batch<double, xsimd::avx512f>;
    using Four = xsimd::batch<double, xsimd::avx2>;
    if (mics <= 4) return std::make_unique<LaneStripOf<Four>>();
    return std::make_unique<LaneStripOf<Eight>>();
}

} // namespace kitfold::dsp
#endif
