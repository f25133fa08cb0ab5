#include "take/stroke_sound.h"
#include "core/fft.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <vector>

namespace kitfold::dsp {
namespace {

constexpr std::size_t kFewest = 3;               // that have a middle
constexpr double kFrom_s = 0.015, kTo_s = 0.095; // the ring: after the stick's click, before the next stroke
constexpr double kLowestHz = 30.0;               // below it there is rumble
constexpr double kBrightHz = 1'000.0;            // a skin's modes lie below it, wires and plates above

} // namespace

StrokeSound stroke_sound(const Take& take, std::size_t mic, std::span<const double> times_s) {
    const auto length = static_cast<std::size_t>((kTo_s - kFrom_s) * take.rate_hz);
    const RealFft fft(fast_fft_size(2 * length));
    const double bin_hz = take.rate_hz / double(fft.size());
    std::vector<float> x(fft.size());
    std::vector<std::complex<float>> bins(fft.bins());
    std::vector<double> sum(fft.bins()), hz, bright;
    for (const double time : times_s) {
        std::fill(x.begin(), x.end(), 0.0f);
        take.read(mic, std::llround((time + kFrom_s) * take.rate_hz), std::span(x).first(length));
        for (std::size_t n = 0; n < length; ++n) x[n] *= float(hann(double(n), double(length)));
        fft.forward(x, bins);
        double all = 0.0;
        for (std::size_t k = 0; k < bins.size(); ++k)
            sum[k] = all += double(k) * bin_hz < kLowestHz ? 0.0 : double(std::norm(bins[k]));
        if (!(all > 0.0)) continue;
        hz.push_back(bin_hz * double(std::lower_bound(sum.begin(), sum.end(), 0.5 * all) - sum.begin()));
        const double above = 1.0 - sum[std::min(sum.size() - 1, std::size_t(kBrightHz / bin_hz))] / all;
        bright.push_back(db_from_power(above, kSilentDb));
    }
    if (hz.size() < kFewest) return {};
    return {upper_median(std::move(hz)), upper_median(std::move(bright))};
}

} // namespace kitfold::dsp
