#include "offline/audio/resampler.h"
#include <new>
#include <soxr.h>
#include <vector>

namespace kitfold::offline {

struct Resampler::Impl {
    static constexpr std::size_t kChunk = 4096;

    soxr_t soxr = nullptr;
    Source source;
    std::vector<std::vector<float>> staged;
    std::vector<float*> staged_planes;
    std::vector<float*> shifted;
    std::size_t at = 0, filled = 0; ///< what of `staged` is still to be converted
    bool ended = false;

    Impl(double from_hz, double to_hz, std::size_t channels, Source from)
        : source(std::move(from)), staged(channels, std::vector<float>(kChunk)), shifted(channels) {
        const soxr_io_spec_t io = soxr_io_spec(SOXR_FLOAT32_S, SOXR_FLOAT32_S);
        const soxr_quality_spec_t quality = soxr_quality_spec(SOXR_VHQ, 0);
        const soxr_runtime_spec_t runtime = soxr_runtime_spec(1);
        soxr_error_t error = nullptr;
        soxr = soxr_create(from_hz, to_hz, static_cast<unsigned>(channels), &error, &io, &quality, &runtime);
        if (soxr == nullptr || error != nullptr) throw std::bad_alloc();
        for (auto& plane : staged) staged_planes.push_back(plane.data());
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;
    ~Impl() { soxr_delete(soxr); }

    std::size_t convert(float** out, std::size_t frames) {
        if (at == filled && !ended) {
            at = 0;
            filled = source(staged_planes.data(), kChunk);
            ended = filled == 0;
        }
        std::vector<const float*> in;
        for (const auto& plane : staged) in.push_back(plane.data() + at);
        std::size_t used = 0, made = 0;
        soxr_process(soxr, ended ? nullptr : in.data(), filled - at, &used, out, frames, &made);
        at += used;
        return made;
    }
};

Resampler::Resampler(double from_hz, double to_hz, std::size_t channels, Source source)
    : impl_(std::make_unique<Impl>(from_hz, to_hz, channels, std::move(source))) {}
Resampler::~Resampler() = default;
Resampler::Resampler(Resampler&&) noexcept = default;
Resampler& Resampler::operator=(Resampler&&) noexcept = default;

std::size_t Resampler::read(float* const* planes, std::size_t frames) {
    Impl& my = *impl_;
    std::size_t done = 0;
    while (done < frames) {
        for (std::size_t c = 0; c < my.shifted.size(); ++c) my.shifted[c] = planes[c] + done;
        const std::size_t made = my.convert(my.shifted.data(), frames - done);
        if (made == 0 && my.ended) break;
        done += made;
    }
    return done;
}

} // namespace kitfold::offline
