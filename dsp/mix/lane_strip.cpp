#include "mix/lane_damp_of.h"
#include "mix/lane_strip_of.h"

namespace kitfold::dsp {

#if defined(__x86_64__)
std::unique_ptr<LaneStrip> make_lane_strip_sse2(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_avx2(std::size_t mics);
std::unique_ptr<LaneStrip> make_lane_strip_avx512(std::size_t mics);
std::unique_ptr<LaneDamp> make_lane_damp_sse2();
std::unique_ptr<LaneDamp> make_lane_damp_avx2(std::size_t mics);
std::unique_ptr<LaneDamp> make_lane_damp_avx512(std::size_t mics);
#endif

LaneStrip::~LaneStrip() = default;
LaneDamp::~LaneDamp() = default;

bool runs(Isa isa) noexcept {
#if defined(__x86_64__)
    if (isa == Isa::sse2) return true; // part of x86-64
    if (isa == Isa::avx2) return __builtin_cpu_supports("avx2") != 0;
    if (isa == Isa::avx512) return __builtin_cpu_supports("avx512f") != 0;
#endif
    return isa == Isa::scalar;
}

Isa best_isa() noexcept {
    for (const Isa isa : {Isa::avx512, Isa::avx2, Isa::sse2})
        if (runs(isa)) return isa;
    return Isa::scalar;
}

std::unique_ptr<LaneStrip> make_lane_strip(Isa isa, std::size_t mics) {
#if defined(__x86_64__)
    if (isa == Isa::sse2) return make_lane_strip_sse2(mics);
    if (isa == Isa::avx2) return make_lane_strip_avx2(mics);
    if (isa == Isa::avx512) return make_lane_strip_avx512(mics);
#endif
    (void)isa, (void)mics;
    return std::make_unique<LaneStripOf<float, double>>();
}

std::unique_ptr<LaneDamp> make_lane_damp(Isa isa, std::size_t mics) {
#if defined(__x86_64__)
    if (isa == Isa::sse2) return make_lane_damp_sse2();
    if (isa == Isa::avx2) return make_lane_damp_avx2(mics);
    if (isa == Isa::avx512) return make_lane_damp_avx512(mics);
#endif
    (void)isa, (void)mics;
    return std::make_unique<LaneDampOf<float>>();
}

} // namespace kitfold::dsp
