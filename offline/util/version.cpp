#include "offline/util/version.h"
#include "mix/lane_strip.h"

namespace kitfold::offline {
namespace {

const char* name_of(dsp::Isa isa) {
    switch (isa) {
    case dsp::Isa::sse2:
        return "SSE2";
    case dsp::Isa::avx2:
        return "AVX2";
    case dsp::Isa::avx512:
        return "AVX-512";
    case dsp::Isa::scalar:
        break;
    }
    return "no SIMD";
}

} // namespace

std::string version_words() {
    const std::string build = KITFOLD_BUILD;
    return std::string("kitfold ") + KITFOLD_VERSION + " (" + (build.empty() ? "" : "build " + build + ", ") +
           KITFOLD_COMPILER + ", " + name_of(dsp::best_isa()) + ")";
}

} // namespace kitfold::offline
