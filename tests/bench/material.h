#pragma once
// The same invented drums for every benchmark: hits of noise that die away, another phase in each mic.
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <vector>

namespace bench {

inline std::vector<float> drums(std::size_t frames, std::size_t mic = 0) {
    std::vector<float> x(frames);
    std::uint64_t state = 88172645463325252ull + mic;
    for (std::size_t n = 0; n < frames; ++n) {
        state ^= state << 13, state ^= state >> 7, state ^= state << 17; // xorshift64 (G. Marsaglia, 2003)
        const double since = static_cast<double>((n + 977 * mic) % 24'000) / 24'000.0;
        x[n] = static_cast<float>((static_cast<double>(state >> 11) / 9007199254740992.0 - 0.5) *
                                  std::exp(-8.0 * since));
    }
    return x;
}

} // namespace bench
