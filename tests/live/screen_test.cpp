#include "offline/live/screen.h"
#include <catch2/catch.hpp>
#include <sstream>

using namespace kitfold::offline;

TEST_CASE("the screen fits 80 by 24 for any number of mics, in a soundcheck too", "[live][screen]") {
    const auto learning = GENERATE(false, true);
    for (std::size_t mics = 1; mics <= 32; ++mics) {
        LiveView view;
        if (learning) {
            auto& soundcheck = view.soundcheck.emplace();
            for (std::size_t d = 0; d < kitfold::dsp::kDrumCount; ++d)
                soundcheck.strokes.emplace_back(static_cast<kitfold::dsp::Drum>(d), 12'345);
            for (std::size_t m = 0; m < mics; ++m)
                soundcheck.mics.push_back({12'345, GainAdvice{0.0, -40, true},
                                           Arrival{"Overhead left, the old one", -40.25, true}, -59.9});
        }
        for (std::size_t m = 0; m < mics; ++m) {
            auto& mic = view.mics.emplace_back();
            mic.name = m % 2 == 0 ? "Overhead left, the old one" : "Caisse étouffée";
            mic.meter.add(m % 3 == 0 ? 1.0 : 0.1, 0.04);
            if (m % 4 == 0) mic.open = true;
        }
        view.take = "take-001", view.disk_left_s = 3e5, view.reduction_db = 3.0;
        view.counts.server_lost = 123'456, view.counts.tape_lost_frames = 1'234'567;
        view.messages.assign(9, std::string(200, 'x'));
        std::istringstream text(screen_text(view));
        std::size_t lines = 0;
        for (std::string line; std::getline(text, line); ++lines)
            CHECK(std::count_if(line.begin(), line.end(), [](char c) { return (c & 0xC0) != 0x80; }) <= 80);
        CHECK(lines <= 24);
    }
}

TEST_CASE("a peak falls by 20 dB in 1.7 s, is held for 2 s, and a clip stays", "[live][screen]") {
    PeakMeter meter;
    meter.add(1.0, 0.04);
    CHECK(meter.shown_db == Approx(0.0).epsilon(0).margin(1e-9));
    for (int n = 0; n < 170; ++n) meter.add(0.0, 0.01);
    CHECK(meter.shown_db == Approx(-20.0).epsilon(0).margin(1e-6));
    CHECK(meter.hold_db == Approx(0.0).epsilon(0).margin(1e-9));
    for (int n = 0; n < 50; ++n) meter.add(0.0, 0.01);
    CHECK(meter.hold_db < -20.0);
    CHECK(meter.clipped);
}
