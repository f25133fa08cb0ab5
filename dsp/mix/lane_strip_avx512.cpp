#if defined(__x86_64__)
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

std::unique_ptr<LaneStrip> make_lane_strip_avx512();
std::unique_ptr<LaneStrip> make_lane_strip_avx512() {
    return std::make_unique<LaneStripOf<xsimd::batch<double, xsimd::avx512f>>>();
}

} // namespace kitfold::dsp
#endif
