#pragma once
// A decaying filter ends in denormal numbers, which some processors handle a hundred times slower.
#if defined(__SSE2__)
#include <immintrin.h>
#endif

namespace kitfold::dsp {

/// Denormals are zero while this lives; the thread's former mode comes back after it. Every process() holds
/// one, so that the result does not depend on the mode the host runs in. One inside another costs next to
/// nothing. On a processor without SSE2 it does nothing.
class FlushDenormals {
public:
#if defined(__SSE2__)
    FlushDenormals() noexcept : before_(_mm_getcsr()) {
        if (!flushes()) _mm_setcsr(before_ | kFlush);
    }
    ~FlushDenormals() {
        if (!flushes()) _mm_setcsr(before_);
    }

private:
    static constexpr unsigned kFlush = 0x8040u; // flush to zero, read as zero
    [[nodiscard]] bool flushes() const noexcept { return (before_ & kFlush) == kFlush; }
    unsigned before_;
#else
    FlushDenormals() noexcept {}
#endif
public:
    FlushDenormals(const FlushDenormals&) = delete;
    FlushDenormals& operator=(const FlushDenormals&) = delete;
};

} // namespace kitfold::dsp
