#include "core/units.h"
#include "mix/pan_mix.h"
#include "mix/sum.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <complex>

using namespace kitfold::dsp;

TEST_CASE("pan laws: handbook gains at the centre and their sums", "[mix]") {
    // handbook values: -3.01, -4.52, -6.02 dB
    const std::pair<PanLaw, double> laws[] = {
        {PanLaw::db_0, 0.0}, {PanLaw::db_3, -3.0103}, {PanLaw::db_4_5, -4.5154}, {PanLaw::db_6, -6.0206}};
    for (const auto& [law, centre] : laws) {
        CHECK(db_from_gain(pan_gain(0.0, law).left) == Approx(centre).epsilon(0).margin(0.0001));
        CHECK(pan_gain(0.0, law).left == Approx(pan_gain(0.0, law).right).epsilon(1e-12));
        CHECK(pan_gain(-1.0, law) == StereoGain{1.0, 0.0});
        CHECK(pan_gain(1.0, law) == StereoGain{0.0, 1.0});
    }
    for (double pan = -1.0; pan <= 1.0; pan += 0.01) {
        const auto sine = pan_gain(pan, PanLaw::db_3), linear = pan_gain(pan, PanLaw::db_6),
                   middle = pan_gain(pan, PanLaw::db_4_5);
        CHECK(sine.left * sine.left + sine.right * sine.right == Approx(1.0).epsilon(1e-12));
        CHECK(linear.left + linear.right == Approx(1.0).epsilon(1e-12));
        CHECK(middle.left == Approx(std::sqrt(sine.left * linear.left)).epsilon(1e-9));
        CHECK(pan_gain(pan, PanLaw::db_0).left == Approx(pan_gain(-pan, PanLaw::db_0).right).epsilon(1e-12));
        CHECK(std::max(pan_gain(pan, PanLaw::db_0).left, pan_gain(pan, PanLaw::db_0).right) == 1.0);
    }
}

TEST_CASE("width of a pair: mono at 0, itself at 1, side scaled", "[mix]") {
    CHECK(widened({1.0, 0.0}, 0.0) == StereoGain{0.5, 0.5});
    CHECK(widened({0.3, 0.7}, 1.0) == StereoGain{0.3, 0.7});
    const auto wide = widened({1.0, 0.0}, 1.5);
    CHECK(wide.left - wide.right == Approx(1.5));
    CHECK(wide.left + wide.right == Approx(1.0));
}

namespace {

/// Level in dB and delay in samples of a delayed sine against the sine itself, by the phase at one frequency.
std::pair<double, double> level_and_delay(Sum& sum, double at, std::size_t frames) {
    std::vector<float> x(frames), left(frames), right(frames);
    for (std::size_t n = 0; n < frames; ++n)
        x[n] = static_cast<float>(std::sin(2.0 * M_PI * at * static_cast<double>(n)));
    const float* rows[] = {x.data()};
    sum.process(rows, left.data(), right.data(), frames);
    std::complex<double> in = 0.0, out = 0.0;
    for (std::size_t n = frames / 2; n < frames; ++n) {
        const double window = std::pow(
            std::sin(2.0 * M_PI * static_cast<double>(n - frames / 2) / static_cast<double>(frames)), 2.0);
        const auto turn = window * std::polar(1.0, -2.0 * M_PI * at * static_cast<double>(n));
        in += turn * static_cast<double>(x[n]), out += turn * static_cast<double>(left[n]);
    }
    const auto ratio = out / in;
    return {db_from_gain(std::abs(ratio)), -std::arg(ratio) / (2.0 * M_PI * at)};
}

} // namespace

TEST_CASE("fractional delay: 0.1 dB and 0.01 sample up to 0.4 of the rate", "[mix]") {
    const double delay_ms = GENERATE(0.0021, 0.0104, 0.1, 0.437, 2.7, 49.9937);
    for (const double at : {0.001, 0.01, 0.05, 0.1, 0.2, 0.3, 0.35, 0.39, 0.4}) {
        Sum sum;
        REQUIRE(sum.prepare(48'000.0, 1));
        REQUIRE(sum.set(0, {.pan = -1.0, .delay_ms = delay_ms}) == nullptr);
        sum.settle();
        const auto [level, delay] = level_and_delay(sum, at, 65'536);
        const double wanted = delay_ms * 48.0 + static_cast<double>(sum.latency());
        const double off = std::remainder(delay - wanted, 1.0 / at); // the phase repeats every period
        INFO(delay_ms << " ms at " << at);
        CHECK(std::abs(level) < 0.1);
        CHECK(std::abs(off) < 0.01);
    }
}

TEST_CASE("sum: whole delays and polarity are exact, -inf and mute are silent, solo leaves one", "[mix]") {
    Sum sum;
    REQUIRE(sum.prepare(48'000.0, 3));
    CHECK_FALSE(Sum{}.prepare(48'000.0, 33));
    CHECK_FALSE(Sum{}.prepare(48'000.0, 0));
    CHECK(sum.set(0, {.pan = 1.2}) != nullptr);
    REQUIRE(sum.set(0, {.pan = -1, .polarity = Polarity::inverted, .delay_ms = 1}) == nullptr);
    REQUIRE(sum.set(1, {.level_db = kOffDb}) == nullptr);
    REQUIRE(sum.set(2, {.mute = true}) == nullptr);
    sum.settle();
    CHECK(sum.latency() == 0);
    std::vector<float> a(1000), b(1000, 0.7f), left(1000), right(1000);
    for (std::size_t n = 0; n < a.size(); ++n) a[n] = static_cast<float>(n % 17) - 8.0f;
    const float* rows[] = {a.data(), b.data(), b.data()};
    sum.process(rows, left.data(), right.data(), 1000);
    for (std::size_t n = 48; n < 1000; ++n) REQUIRE(left[n] == -a[n - 48]);
    CHECK(right == std::vector<float>(1000, 0.0f));
    REQUIRE(sum.set(1, {.pan = 1, .solo = true}) == nullptr);
    sum.settle();
    std::vector<float> l(2000), r(2000), longer(2000, 0.7f);
    const float* more[] = {longer.data(), longer.data(), longer.data()};
    sum.process(more, l.data(), r.data(), 2000);
    CHECK(r.back() == 0.7f);
    CHECK(l.back() == 0.0f);
    REQUIRE(sum.prepare(48'000.0, 3)); // all as at first: three mics in the middle, -3 dB each
    sum.process(more, l.data(), r.data(), 2000);
    CHECK(l.back() == Approx(3 * 0.7 * std::sqrt(0.5)).epsilon(1e-6));
    CHECK(r.back() == l.back());
}

TEST_CASE("sum: moves make no click, no heap, no lock, any block size", "[mix]") {
    Sum a, b;
    for (auto* s : {&a, &b}) REQUIRE(s->prepare(48'000.0, 2));
    std::vector<float> x(24'000), al(x), ar(x), bl(x), br(x);
    const double w = 2.0 * M_PI * 100.0 / 48'000.0;
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = static_cast<float>(0.5 * std::sin(w * static_cast<double>(n)));
    const auto play = [&](Sum& s, std::vector<float>& l, std::vector<float>& r, std::size_t block) {
        for (std::size_t part = 0; part < 24; ++part) {
            (void)s.set(0, {.level_db = part % 3 == 0 ? kOffDb : 6.0,
                            .pan = part % 2 == 0 ? -1.0 : 1.0,
                            .polarity = part % 4 < 2 ? Polarity::inverted : Polarity::normal,
                            .delay_ms = 0.31 * static_cast<double>(part % 5)});
            (void)s.set(1, {.mute = part % 2 == 1, .solo = part % 7 == 0});
            (void)s.set({.pan_law_db = part % 2 == 0 ? PanLaw::db_6 : PanLaw::db_3, .mono = part % 5 == 0});
            s.settle();
            for (std::size_t at = 0; at < 1000; at += block) {
                const std::size_t n = std::min(block, 1000 - at), from = part * 1000 + at;
                const float* rows[] = {&x[from], &x[from]};
                s.process(rows, &l[from], &r[from], n);
            }
        }
    };
    {
        const RealTimeGuard guard;
        play(a, al, ar, 1000), play(b, bl, br, 33);
        const int calls = guard.calls();
        CHECK(calls == 0);
    }
    CHECK(al == bl);
    CHECK(ar == br);
    // steps: the sine itself moves by 3 A w (two mics, one at +6 dB); a 20 ms fade of all of it adds 3 A /
    // 960 twice
    double step = 0.0;
    for (std::size_t n = 1; n < al.size(); ++n)
        step = std::max(step, std::abs(static_cast<double>(al[n]) - al[n - 1]));
    CHECK(step < 1.5 * w + 2.0 * 2.0 * 1.5 / 960.0);
}
