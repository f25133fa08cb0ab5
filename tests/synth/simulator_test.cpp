#include "synth/simulator.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <complex>
#include <numbers>
#include <stdexcept>

using namespace kitfold::dsp;

namespace {

Approx about(double value, double margin) { return Approx(value).epsilon(0).margin(margin); }

SimulatorOptions short_take(double seconds = 3.0) {
    SimulatorOptions options;
    options.seconds = seconds;
    return options;
}

/// One stroke on `drum`, half a second into a take.
SimulatorOptions one_stroke(Drum drum) {
    SimulatorOptions options = short_take(1.5);
    options.strokes = {{0.5, drum, 0.0, 0.25, 0.0}};
    return options;
}

double peak(const std::vector<float>& samples) {
    double most = 0.0;
    for (const float x : samples) most = std::max(most, std::abs(static_cast<double>(x)));
    return most;
}

} // namespace

TEST_CASE("same options, same samples, another seed, another take", "[synth]") {
    auto options = short_take();
    const auto first = Simulator(options).render();
    CHECK(first == Simulator(options).render());
    options.seed = 2;
    CHECK(first != Simulator(options).render());
}

TEST_CASE("a stream hands out what render does, in any pieces", "[synth]") {
    const Simulator simulator(short_take());
    const auto whole = simulator.render();
    auto stream = simulator.stream();
    Simulator::Planar pieces(whole.size(), std::vector<float>(simulator.frames()));
    std::size_t at = 0;
    for (std::size_t size = 1; at < simulator.frames(); size = size * 3 % 30'011 + 1) {
        std::vector<float*> pointers;
        for (auto& mic : pieces) pointers.push_back(mic.data() + at);
        at += stream.read(pointers, size);
    }
    CHECK(pieces == whole);
    CHECK(at == 144'000);
}

TEST_CASE("the drummer plays the same at every rate, tone and mic list", "[synth]") {
    auto options = short_take(10.0);
    const auto base = Simulator(options).truth().strokes;
    REQUIRE(base.size() > 40);
    options.rate_hz = GENERATE(44'100.0, 96'000.0);
    options.tone = Tone::deadened, options.mics = 8;
    const auto other = Simulator(options).truth().strokes;
    REQUIRE(other.size() == base.size());
    for (std::size_t i = 0; i < base.size(); ++i) {
        CHECK(other[i].time_s == base[i].time_s);
        CHECK(other[i].drum == base[i].drum);
        CHECK(other[i].strength_db == base[i].strength_db);
    }
}

TEST_CASE("delays are distance over the speed of sound", "[synth]") {
    const Simulator simulator(one_stroke(Drum::kick));
    const auto& truth = simulator.truth();
    // 0.15 m at 343.2 m/s (ISO 9613-1, 20 degrees): 0.437 ms
    CHECK(truth.path(Drum::kick, *simulator.mic(Role::kick_in)).delay_ms == about(0.437, 0.001));
    for (const auto& drum : truth.drums)
        for (std::size_t m = 0; m < simulator.mics().size(); ++m) {
            const auto a = drum.position, b = simulator.mics()[m].position;
            if (drum.drum == Drum::kick || (drum.drum == Drum::snare && b.z < a.z))
                continue; // by the far head
            const double metres = std::hypot(a.x - b.x, a.y - b.y, a.z - b.z);
            CHECK(truth.path(drum.drum, m).delay_ms == about(1000.0 * metres / 343.2, 0.003));
        }
}

namespace {

/// Before the arrival that truth names there is next to nothing; right after it the signal goes the way truth
/// says.
void check_first_arrival(const Simulator& simulator, const std::vector<float>& heard, const Direct& path) {
    const double rate_hz = simulator.options().rate_hz;
    const auto due = static_cast<std::ptrdiff_t>(std::ceil((0.5 + 1e-3 * path.delay_ms) * rate_hz));
    CHECK(peak({heard.begin(), heard.begin() + due - 26}) < 1e-6); // a sinc reaches 24 samples
    CHECK(peak({heard.begin() + due - 26, heard.begin() + due - 2}) < 0.02 * peak(heard));
    CHECK(peak({heard.begin() + due - 1, heard.begin() + due + 5}) > 0.01 * peak(heard)); // and not later
    double sum = 0.0;
    for (auto n = due; n < due + static_cast<std::ptrdiff_t>(0.0003 * rate_hz); ++n)
        sum += static_cast<double>(heard[static_cast<std::size_t>(n)]);
    CHECK((sum < 0.0) == path.opposite);
}

void check_own_arrivals(SimulatorOptions options) {
    for (const Drum drum : {Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom}) {
        options.strokes = one_stroke(drum).strokes;
        const Simulator simulator(options);
        const auto heard = simulator.render_drum(drum);
        for (std::size_t m = 0; m < heard.size(); ++m) {
            INFO(simulator.mics()[m].name << " at " << options.rate_hz);
            if (own_drum(simulator.mics()[m].role) == drum)
                check_first_arrival(simulator, heard[m], simulator.truth().path(drum, m));
        }
    }
}

} // namespace

TEST_CASE("the first arrival is where and which way round truth says", "[synth]") {
    auto options = short_take(1.5);
    options.rate_hz = GENERATE(44'100.0, 48'000.0, 96'000.0);
    check_own_arrivals(options);
}

TEST_CASE("truth follows the traps: first arrivals", "[synth]") {
    auto options = short_take(1.5);
    auto trap = GENERATE(&Traps::mode_rich, &Traps::shell_reflections, &Traps::opposite_heads,
                         &Traps::hot_room, &Traps::flipped_mics);
    options.traps.*trap = true;
    options.traps.extra_delay_ms = GENERATE(0.0, 20.0);
    check_own_arrivals(options);
}

namespace {

/// Phase in radians of a signal at one frequency.
double phase(const std::vector<float>& x, double hz, double rate_hz) {
    std::complex<double> sum;
    for (std::size_t n = 0; n < x.size(); ++n)
        sum += static_cast<double>(x[n]) *
               std::polar(1.0, -2.0 * std::numbers::pi * hz * static_cast<double>(n) / rate_hz);
    return std::arg(sum);
}

/// Energy below some 200 Hz: two sections of first order.
double low_energy(const std::vector<float>& x, double rate_hz) {
    const double step = 1.0 - std::exp(-2.0 * std::numbers::pi * 200.0 / rate_hz);
    double a = 0.0, b = 0.0, energy = 0.0;
    for (const float v : x) {
        a += step * (static_cast<double>(v) - a), b += step * (a - b);
        energy += b * b;
    }
    return energy;
}

/// a + sign * b, a being `late` samples later: level below 200 Hz in dB re the power sum of both.
double low_gain_db(const std::vector<float>& a, const std::vector<float>& b, float sign, std::size_t late) {
    std::vector<float> sum(b);
    for (std::size_t n = 0; n < sum.size(); ++n) sum[n] = sign * b[n] + (n >= late ? a[n - late] : 0.0f);
    return 10.0 * std::log10(low_energy(sum, 48e3) / (low_energy(a, 48e3) + low_energy(b, 48e3)));
}

} // namespace

TEST_CASE("lateness is exact between samples", "[synth]") {
    auto options = one_stroke(Drum::snare);
    options.rate_hz = GENERATE(44'100.0, 96'000.0);
    const auto prompt = Simulator(options).render_drum(Drum::snare);
    options.traps.extra_delay_ms = 20.0;
    const Simulator simulator(options);
    const auto late = simulator.render_drum(Drum::snare);
    for (std::size_t m = 0; m < late.size(); ++m)
        for (const double hz : {190.0, 700.0, 1'500.0}) {
            const double turned = phase(prompt[m], hz, options.rate_hz) - phase(late[m], hz, options.rate_hz);
            const double due = 2.0 * std::numbers::pi * hz * 1e-3 * simulator.mics()[m].late_ms;
            const double error_rad = std::remainder(turned - due, 2.0 * std::numbers::pi);
            // a hundredth of a sample for the straight sound, 1/512 for what the walls add
            CHECK(std::abs(error_rad) < 2.0 * std::numbers::pi * hz * 0.01 / options.rate_hz);
        }
}

TEST_CASE("the two kick mics partly cancel until polarity and delay are set", "[synth]") {
    auto options = short_take(8.0);
    options.seed = GENERATE(1u, 2u, 3u, 4u);
    const Simulator simulator(options);
    const auto take = simulator.render();
    const auto in = *simulator.mic(Role::kick_in), out = *simulator.mic(Role::kick_out);
    const auto &first = simulator.truth().path(Drum::kick, in),
               &second = simulator.truth().path(Drum::kick, out);
    CHECK(first.opposite != second.opposite);
    const auto late = static_cast<std::size_t>(std::lround(48.0 * (second.delay_ms - first.delay_ms)));
    CHECK(low_gain_db(take[in], take[out], 1.0f, 0) < -2.0);
    CHECK(low_gain_db(take[in], take[out], -1.0f, late) > 2.5); // two equal signals in step: +3.01
    const auto top = *simulator.mic(Role::snare_top), bottom = *simulator.mic(Role::snare_bottom);
    CHECK(!simulator.truth().path(Drum::snare, top).opposite);
    CHECK(simulator.truth().path(Drum::snare, bottom).opposite);
}

TEST_CASE("the coincident overheads hear a drum by its angle only", "[synth]") {
    const Simulator simulator(one_stroke(Drum::snare));
    const auto left = simulator.mics()[*simulator.mic(Role::overhead_left)];
    for (const auto& image : simulator.truth().image) {
        CHECK(image.time_difference_ms == 0.0);
        // Two cardioids at right angles: 20 lg((1 + cos a) / (1 + cos b)), a and b from the handbook's dot
        // product.
        Position at{};
        for (const auto& d : simulator.truth().drums)
            if (d.drum == image.drum) at = d.position;
        if (image.drum == Drum::kick || image.drum == Drum::snare) continue; // also radiate from a far head
        const double x = at.x - left.position.x, z = at.z - left.position.z;
        const double r = std::hypot(x, at.y - left.position.y, z);
        const double a = (-x - z) / (std::numbers::sqrt2 * r), b = (x - z) / (std::numbers::sqrt2 * r);
        CHECK(image.level_difference_db == about(20.0 * std::log10((1.0 + a) / (1.0 + b)), 1e-6));
    }
}

TEST_CASE("drums rendered alone add up to the take, but for the mics' noise", "[synth]") {
    auto options = short_take(4.0);
    const Simulator simulator(options);
    auto rest = simulator.render();
    for (const auto& drum : simulator.truth().drums) {
        const auto alone = simulator.render_drum(drum.drum);
        for (std::size_t m = 0; m < rest.size(); ++m)
            for (std::size_t n = 0; n < rest[m].size(); ++n) rest[m][n] -= alone[m][n];
    }
    for (std::size_t m = 0; m < rest.size(); ++m) {
        double energy = 0.0;
        for (const float x : rest[m]) energy += static_cast<double>(x) * x;
        const double rms_dbfs = 10.0 * std::log10(energy / static_cast<double>(rest[m].size()));
        CHECK(rms_dbfs == about(simulator.mics()[m].noise_dbfs, 0.1));
    }
}

TEST_CASE("bleed is the energy of a drum alone, dB re its own mic", "[synth]") {
    const Simulator simulator(short_take(4.0));
    const auto heard = simulator.render_drum(Drum::snare);
    const auto energy = [&](std::size_t m) {
        double sum = 0.0;
        for (const float x : heard[m]) sum += static_cast<double>(x) * x;
        return sum;
    };
    std::size_t rows = 0;
    for (const auto& row : simulator.measure_bleed()) {
        if (row.drum != Drum::snare) continue;
        ++rows;
        const double own = energy(*simulator.mic(Role::snare_top));
        CHECK(row.level_db == about(10.0 * std::log10(energy(row.mic) / own), 1e-6));
    }
    CHECK(rows == 10);
}

TEST_CASE("hot bleed brings the loudest foreign drum up to the drum in its own mic", "[synth]") {
    auto options = short_take(1.5);
    options.traps.hot_bleed = true;
    double own = 0.0, foreign = 0.0;
    const auto drums = Simulator(options).truth().drums;
    for (const auto& drum : drums) {
        options.strokes = {{0.1, drum.drum, 0.0, 0.25, 0.0, drum.drum == Drum::hihat}};
        const Simulator simulator(options);
        const double here = peak(simulator.render_drum(drum.drum)[*simulator.mic(Role::rack_tom)]);
        (drum.drum == Drum::rack_tom ? own : foreign) =
            std::max(drum.drum == Drum::rack_tom ? own : foreign, here);
    }
    CHECK(20.0 * std::log10(foreign / own) ==
          about(0.0, 1.0)); // cymbals' washes differ from stroke to stroke
}

TEST_CASE("overheads can be exchanged or spaced", "[synth]") {
    auto options = one_stroke(Drum::hihat);
    const auto left_minus_right = [&] {
        const Simulator simulator(options);
        const auto heard = simulator.render_drum(Drum::hihat);
        return 20.0 * std::log10(peak(heard[*simulator.mic(Role::overhead_left)]) /
                                 peak(heard[*simulator.mic(Role::overhead_right)]));
    };
    const double straight = left_minus_right();
    CHECK(straight > 2.0);
    options.traps.swapped_overheads = true;
    CHECK(left_minus_right() == about(-straight, 1e-3));
    CHECK(Simulator(options).truth().image[4].level_difference_db < -2.0);
    options.traps = {};
    options.traps.spaced_overheads = true;
    const Simulator spaced(options);
    // 1.1 m between the mics, hi-hat 0.52 m left of centre and 0.8 m below: 343 m/s gives some 1.6 ms
    CHECK(spaced.truth().image[4].time_difference_ms > 1.0);
    CHECK(spaced.truth().image[4].time_difference_ms < 2.2);
}

TEST_CASE("a stroke is the same sound at two rates", "[synth]") {
    auto options = one_stroke(Drum::kick);
    const Simulator slow(options);
    options.rate_hz = 96'000.0;
    const Simulator fast(options);
    const auto m = *slow.mic(Role::kick_in);
    const auto a = slow.render_drum(Drum::kick)[m], b = fast.render_drum(Drum::kick)[m];
    double error = 0.0;
    for (std::size_t n = 0; n < a.size(); ++n)
        error = std::max(error, std::abs(static_cast<double>(a[n]) - static_cast<double>(b[2 * n])));
    CHECK(error < 0.02 * peak(a)); // the click's first corner has no band limit
}

TEST_CASE("deadening raises every alpha by what truth says", "[synth]") {
    auto options = short_take();
    const Simulator open(options);
    options.tone = Tone::deadened;
    const Simulator deadened(options);
    for (std::size_t d = 0; d < 4; ++d) { // kick, snare, toms
        const auto &before = open.truth().drums[d].partials, &after = deadened.truth().drums[d].partials;
        REQUIRE(before.size() == after.size());
        for (std::size_t p = 0; p < before.size(); ++p) {
            CHECK(after[p].hz == before[p].hz);
            CHECK(after[p].ring_ms == about(before[p].deadened_ring_ms, 1e-6));
            CHECK(after[p].open_ring_ms == about(before[p].ring_ms, 1e-6));
            CHECK(6907.755 / after[p].ring_ms - 6907.755 / before[p].ring_ms == // alpha = ln(1000) / T60
                  about(before[p].delta_alpha, 1e-4));
        }
    }
}

TEST_CASE("ring times follow the partials, and deadening shortens them", "[synth]") {
    auto options = short_take();
    const Simulator open(options);
    options.tone = Tone::deadened;
    const Simulator deadened(options);
    for (const auto* simulator : {&open, &deadened})
        for (const auto& ring : simulator->measure_rings())
            for (const auto& drum : simulator->truth().drums) {
                if (drum.drum != ring.drum) continue;
                INFO(drum_name(drum.drum));
                // Its own longest partial, (0,1), leads from -5 to -35 dB; nothing in the drum rings longer.
                CHECK(ring.late_ms < 1.05 * drum.partials.front().ring_ms);
                CHECK(ring.late_ms > 0.7 * drum.partials.front().ring_ms);
                CHECK(ring.ring_ms < 1.05 * drum.partials.front().ring_ms);
            }
}

TEST_CASE("deadened wires rattle to the open kit's noise at every stroke", "[synth]") {
    auto options = short_take(30.0);
    options.style = Style::line_check;
    const Simulator open(options);
    options.tone = Tone::deadened;
    const Simulator deadened(options);
    const auto bottom = *open.mic(Role::snare_bottom);
    const auto a = open.render_drum(Drum::snare)[bottom], b = deadened.render_drum(Drum::snare)[bottom];
    std::size_t strokes = 0;
    for (const auto& stroke : open.truth().strokes) {
        if (stroke.drum != Drum::snare) continue;
        const auto from = std::size_t(
            (stroke.time_s + 0.001 * open.truth().path(Drum::snare, bottom).delay_ms) * options.rate_hz);
        if (from + 1'920 > a.size()) continue;
        double ab = 0.0, aa = 0.0, bb = 0.0; // differences: what is high weighs most, and that is the wires
        for (auto n = from + 480; n < from + 1'920; ++n) {
            const double x = double(a[n]) - 2.0 * double(a[n - 1]) + double(a[n - 2]),
                         y = double(b[n]) - 2.0 * double(b[n - 1]) + double(b[n - 2]);
            ab += x * y, aa += x * x, bb += y * y;
        }
        // From 10 to 40 ms the noise falls with 48 ms against some 23: 0.97; other noise gives 0.
        CHECK(ab / std::sqrt(aa * bb) > 0.9);
        ++strokes;
    }
    CHECK(strokes == 6);
}

TEST_CASE("a long open kit is neither clipped nor faint", "[synth]") {
    auto options = short_take(20.0);
    options.seed = GENERATE(1u, 2u, 3u);
    const Simulator simulator(options);
    const auto take = simulator.render();
    for (std::size_t m = 0; m < take.size(); ++m) {
        INFO(simulator.mics()[m].name);
        CHECK(peak(take[m]) < 0.9);
        CHECK(peak(take[m]) > 0.1);
    }
}

TEST_CASE("a lifelike kit: forerunners, waves that rise slowly, strokes that differ", "[synth]") {
    auto options = one_stroke(Drum::snare);
    options.strokes.push_back({1.0, Drum::snare, 0.0, 0.25, 0.0});
    const Simulator clean(options);
    options.lifelike = true;
    const Simulator alive(options);
    const auto heard = alive.render_drum(Drum::snare), before = clean.render_drum(Drum::snare);
    const auto room = *alive.mic(Role::room_mono), top = *alive.mic(Role::snare_top);
    CHECK(alive.truth().path(Drum::snare, room).delay_ms == clean.truth().path(Drum::snare, room).delay_ms);
    const auto ms = [](double t) { return static_cast<std::ptrdiff_t>(48.0 * t); };
    const auto part = [&](const std::vector<float>& x, double from_ms, double to_ms) {
        return peak({x.begin() + ms(from_ms), x.begin() + ms(to_ms)});
    };
    // Stands bring a fortieth of it in a fifth of the time; before that there is nothing, and in the clean
    // kit no more than the band limit leaves before the straight arrival.
    const double straight_ms = 500.0 + alive.truth().path(Drum::snare, room).delay_ms;
    CHECK(part(heard[room], 500.0, straight_ms - 1.0) > 0.004 * peak(heard[room]));
    CHECK(part(heard[room], 500.0, straight_ms - 1.0) < 0.04 * peak(heard[room]));
    CHECK(part(before[room], 500.0, straight_ms - 1.0) < 1e-4 * peak(before[room]));
    // The first wave of the clean kit steps up at once, that of a push takes its time (contact 0.7 ms).
    const double arrival_ms = 500.0 + alive.truth().path(Drum::snare, top).delay_ms;
    CHECK(part(heard[top], arrival_ms, arrival_ms + 0.1) <
          0.5 * part(before[top], arrival_ms, arrival_ms + 0.1));
    // Two strokes of one strength on one spot are alike in a clean head's first milliseconds, and not in
    // life.
    double same = 0.0, differs = 0.0;
    for (auto n = ms(500.5); n < ms(502.5); ++n) {
        const auto a = static_cast<double>(heard[top][static_cast<std::size_t>(n)]);
        const auto b = static_cast<double>(heard[top][static_cast<std::size_t>(n + ms(500.0))]);
        same += a * a, differs += (a - b) * (a - b);
    }
    CHECK(differs > 0.001 * same);
    CHECK(differs < 0.5 * same);
}

TEST_CASE("what the simulator can't do is refused by name", "[synth]") {
    const auto refused = [](auto change) {
        SimulatorOptions options;
        change(options);
        try {
            const Simulator simulator(options);
        } catch (const std::invalid_argument& error) {
            return std::string(error.what());
        }
        return std::string();
    };
    CHECK(refused([](auto& o) { o.rate_hz = 7'999.0; }).find("rate_hz") == 0);
    CHECK(refused([](auto& o) { o.rate_hz = NAN; }).find("rate_hz") == 0);
    CHECK(refused([](auto& o) { o.seconds = 0.1; }).find("seconds") == 0);
    CHECK(refused([](auto& o) { o.mics = 9; }).find("mics") == 0);
    CHECK(refused([](auto& o) { o.traps.extra_delay_ms = 21.0; }).find("extra_delay_ms") == 0);
    CHECK(refused([](auto& o) { o.strokes = {{0.1, Drum::rack_tom_2}}; }).find("a stroke") == 0);
}
