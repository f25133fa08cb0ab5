#include "filters/filtered.h"

namespace kitfold::dsp {

std::vector<float> filtered(std::span<const float> x, const Butterworth& filter) {
    SectionCoefficients<double> first, second;
    first.set(0, filter.first), second.set(0, filter.second);
    SectionInLoop<double> a(first, {}), b(second, {});
    std::vector<float> out;
    out.reserve(x.size());
    for (const float v : x) out.push_back(static_cast<float>(b.tick(a.tick(static_cast<double>(v)))));
    return out;
}

} // namespace kitfold::dsp
