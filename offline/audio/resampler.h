#pragma once
#include <cstddef>
#include <functional>
#include <memory>

namespace kitfold::offline {

/// Rate conversion of a stream, several channels side by side, by libsoxr at its "very high quality":
/// pass-band to 0.9 of the lower Nyquist frequency, stop-band and precision at 28 bits, linear phase, delay
/// taken out.
class Resampler {
public:
    /// Fills planes with up to `frames` samples; fewer, then 0, at the end.
    using Source = std::function<std::size_t(float* const* planes, std::size_t frames)>;

    /// Throws std::bad_alloc.
    Resampler(double from_hz, double to_hz, std::size_t channels, Source source);
    ~Resampler();
    Resampler(Resampler&&) noexcept;
    Resampler& operator=(Resampler&&) noexcept;

    /// Fills planes with up to `frames` converted samples; fewer, then 0, at the end. Throws what the source
    /// throws.
    std::size_t read(float* const* planes, std::size_t frames);

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
