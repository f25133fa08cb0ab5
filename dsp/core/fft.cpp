#include "core/fft.h"
#include <fftw3.h>
#include <mutex>
#include <vector>

namespace kitfold::dsp {

namespace {

std::mutex& planner() { // FFTW's planner is shared by the whole process and not thread-safe
    static std::mutex m;
    return m;
}

fftwf_complex* as_fftw(std::complex<float>* p) noexcept { return reinterpret_cast<fftwf_complex*>(p); }

} // namespace

struct RealFft::Plans {
    fftwf_plan forward = nullptr, inverse = nullptr;
};

RealFft::RealFft(std::size_t size) : size_(size), plans_(std::make_unique<Plans>()) {
    std::vector<float> real(size);
    std::vector<std::complex<float>> complex(bins());
    // Estimated plans: the same on every run of a machine, and made in microseconds.
    const std::lock_guard lock(planner());
    { // where memory is short FFTW ends the program; this throws std::bad_alloc instead
        constexpr std::size_t kMoreThanPlansTake = std::size_t{1} << 20;
        const std::unique_ptr<char[]> room(new char[kMoreThanPlansTake]);
        static_cast<volatile char&>(room[0]) = 0; // or the compiler would leave it out
    }
    plans_->forward = fftwf_plan_dft_r2c_1d(static_cast<int>(size), real.data(), as_fftw(complex.data()),
                                            FFTW_ESTIMATE | FFTW_UNALIGNED | FFTW_PRESERVE_INPUT);
    plans_->inverse = fftwf_plan_dft_c2r_1d(static_cast<int>(size), as_fftw(complex.data()), real.data(),
                                            FFTW_ESTIMATE | FFTW_UNALIGNED | FFTW_PRESERVE_INPUT);
}

RealFft::~RealFft() {
    if (!plans_) return;
    const std::lock_guard lock(planner());
    fftwf_destroy_plan(plans_->forward);
    fftwf_destroy_plan(plans_->inverse);
}

RealFft::RealFft(RealFft&&) noexcept = default;

RealFft& RealFft::operator=(RealFft&& other) noexcept {
    std::swap(size_, other.size_);
    std::swap(plans_, other.plans_);
    return *this;
}

// FFTW_PRESERVE_INPUT keeps the const promise that its signature can't express.
void RealFft::forward(std::span<const float> in, std::span<std::complex<float>> out) const noexcept {
    fftwf_execute_dft_r2c(plans_->forward, const_cast<float*>(in.data()), as_fftw(out.data()));
}

void RealFft::inverse(std::span<const std::complex<float>> in, std::span<float> out) const noexcept {
    fftwf_execute_dft_c2r(plans_->inverse, as_fftw(const_cast<std::complex<float>*>(in.data())), out.data());
    const float scale = 1.0f / static_cast<float>(size_);
    for (float& x : out) x *= scale;
}

std::size_t fast_fft_size(std::size_t least) noexcept {
    for (std::size_t n = least < 2 ? 2 : least + least % 2;; n += 2) {
        std::size_t rest = n;
        for (const std::size_t p : {2u, 3u, 5u})
            while (rest % p == 0) rest /= p;
        if (rest == 1) return n;
    }
}

} // namespace kitfold::dsp
