// The handover from the host's threads to the audio thread, built with ThreadSanitizer: it ends the program
// with an error at the first data race.
#include "common/shared_values.h"
#include "filters/kick_conditioner.h"
#include <array>
#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

using namespace kitfold;
using plugins::SharedValues;

namespace {

template <class Settings> std::vector<double> values_of(const Settings& settings) {
    std::vector<double> out;
    for (const auto& field : dsp::fields<Settings>()) out.push_back(field.of(settings));
    return out;
}

/// The audio thread: blocks until told to stop, with the settings of the moment.
class Audio {
public:
    explicit Audio(const SharedValues& shared) : shared_(shared), values_(shared.size()) {
        REQUIRE(kick_.prepare(48'000.0));
    }
    template <class Check> void run(std::atomic<bool>& stop, Check&& check) {
        std::array<float, 16> block{};
        while (!stop.load()) {
            if (shared_.read(values_, seen_)) {
                dsp::KickSettings settings;
                for (std::size_t i = 0; const auto& field : dsp::fields<dsp::KickSettings>())
                    field.put(settings, values_[i++]);
                ++reads;
                good = good && check(settings) && kick_.set(settings) == nullptr;
            }
            block[0] = 0.5f;
            kick_.process(block.data(), block.data(), block.size());
        }
    }
    std::atomic<int> reads = 0;
    bool good = true;

private:
    const SharedValues& shared_;
    std::vector<double> values_;
    std::uint64_t seen_ = 0;
    dsp::KickConditioner<double> kick_;
};

} // namespace

TEST_CASE("a group of settings arrives whole or not at all") {
    const dsp::KickSettings first{}, second{.high_pass_hz = 20,
                                            .high_pass_slope = dsp::Slope::db_6,
                                            .shelf_hz = 200,
                                            .shelf_db = -6,
                                            .shelf_slope = 1,
                                            .box_hz = 300,
                                            .box_db = -12,
                                            .box_q = 2,
                                            .bleed_cut_hz = 3000,
                                            .bleed_cut_slope = dsp::Slope::db_12,
                                            .level_db = -10};
    SharedValues shared(values_of(first));
    Audio audio(shared);
    std::atomic<bool> stop{false};
    std::thread player(
        [&] { audio.run(stop, [&](const dsp::KickSettings& s) { return s == first || s == second; }); });
    std::thread other([&] { // two hosts' threads at once
        for (int i = 0; i < 3'000; ++i) shared.set_all(values_of(i % 2 == 0 ? second : first));
    });
    for (int i = 0; i < 3'000; ++i) shared.set_all(values_of(i % 2 == 0 ? first : second));
    other.join();
    while (audio.reads.load() == 0) std::this_thread::yield(); // a block of now at the latest sees a group
    stop.store(true);
    player.join();
    CHECK(audio.good);
}

TEST_CASE("single controls move while groups arrive") {
    SharedValues shared(values_of(dsp::KickSettings{}));
    Audio audio(shared);
    std::atomic<bool> stop{false};
    std::thread player([&] {
        audio.run(stop, [](const dsp::KickSettings& s) { return dsp::first_refused(s) == nullptr; });
    });
    std::thread knob([&] {
        for (int i = 0; i < 5'000; ++i) shared.set(0, 20.0 + i % 100);
    });
    for (int i = 0; i < 500; ++i) {
        shared.set_all(values_of(dsp::KickSettings{.shelf_db = i % 10 - 5.0}));
        shared.set(10, i % 20 - 10.0);
        CHECK(shared.get(0) >= 10.0);
    }
    knob.join();
    std::vector<double> last(shared.size());
    std::uint64_t seen = 0;
    CHECK(shared.read(last, seen)); // at rest everything is there, and once
    CHECK_FALSE(shared.read(last, seen));
    stop.store(true);
    player.join();
    CHECK(audio.good);
}
