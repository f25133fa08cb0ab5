// Whole plug-ins with a host's threads around them, built with ThreadSanitizer: it ends the program with an
// error at the first data race.
#include "support.h"
#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;

namespace {

/// Blocks until told to stop, some bypassed, with automation that comes with the block as formats bring it.
void play_until(const std::atomic<bool>& stop, Processor& p, bool& finite) {
    const auto in = bursts(inputs(p), 64);
    const auto positions = random_positions(control_count(p.layout()), 99);
    for (std::size_t i = 0; !stop.load(); ++i) {
        p.getParameters()
            .getUnchecked(static_cast<int>(i % positions.size()))
            ->setValueNotifyingHost(positions[i % positions.size()]);
        finite = finite && all_finite(play(p, in, {64}, i % 5 == 0 ? 0 : 64));
    }
}

/// A host that plays the same strokes over and over on one thread and saves the state on another, now and
/// then.
class HostAtWork {
public:
    HostAtWork(Processor& p, const Channels& strokes)
        : audio_([this, &p, &strokes] {
              while (!stop_.load()) play(p, strokes, block_sizes(strokes[0].size()));
          }),
          saver_([this, &p] {
              do {
                  saved_.store(saved_.load() && !state_text(p).empty());
                  std::this_thread::sleep_for(std::chrono::milliseconds(20));
              } while (!stop_.load());
          }) {}
    ~HostAtWork() {
        stop_.store(true);
        saver_.join(), audio_.join();
    }
    /// Was every state a state?
    [[nodiscard]] bool saved() const { return saved_.load(); }

private:
    std::atomic<bool> stop_{false}, saved_{true};
    std::thread audio_, saver_;
};

/// Switches learning on and waits until it listens, or has heard enough already and went off by itself.
void start_learning(Processor& p, std::string_view state) {
    type_in(p, "learn", "on");
    REQUIRE(pump_until([&] { return shown(p, state) == "listening" || shown(p, "learn") == "off"; }));
}

/// Until a figure of what was heard has come so far, or learning has ended by itself.
void wait_until_heard(const Processor& p, std::string_view figure, int least) {
    REQUIRE(pump_until([&] { return std::stoi(shown(p, figure)) >= least || shown(p, "learn") == "off"; }));
}

void finish_learning(Processor& p, std::string_view state) {
    type_in(p, "learn", "off");
    pump_polls();
    REQUIRE(pump_until([&] { return shown(p, state) != "listening" && shown(p, state) != "measuring"; }));
}

} // namespace

TEST_CASE("controls, states and programs change from other threads while audio runs") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    const auto state = state_text(*p);
    std::atomic<bool> stop{false};
    bool finite = true;
    std::thread audio([&] { play_until(stop, *p, finite); });
    std::thread knobs([&] { // a host's control surface
        for (unsigned i = 0; i < 40; ++i) set_controls(*p, random_positions(control_count(p->layout()), i));
    });
    std::thread saver([&] { // some hosts save and restore in the background
        for (int i = 0; i < 20; ++i) set_state_text(*p, state_text(*p));
    });
    for (int i = 0; i < 40; ++i) {
        set_state_text(*p, state);
        p->setCurrentProgram(i % p->getNumPrograms());
        CHECK_FALSE(state_text(*p).empty());
        for (auto* parameter : p->getParameters()) CHECK(parameter->getCurrentValueAsText().isNotEmpty());
        CHECK(p->getTailLengthSeconds() >= 0.0);
        pump_once(); // meters and latency are polled
    }
    knobs.join(), saver.join();
    stop.store(true);
    audio.join();
    CHECK(finite);
    CHECK(all_allowed(*p));
}

TEST_CASE("Damp learns while audio runs and states arrive") {
    auto p = ready("damp");
    const auto state = state_text(*p);
    const Channels strokes(2, membrane(8'000.0, 4, 0.1));
    p->prepareToPlay(8'000.0, 512);
    const HostAtWork host(*p, strokes);
    bool found = false;
    for (int i = 0; i < 6; ++i) {
        start_learning(*p, "learned");
        wait_until_heard(*p, "hits_heard", 4);
        if (i == 2) set_state_text(*p, state);
        if (i == 4) p->setCurrentProgram(0);
        finish_learning(*p, "learned");
        found = found || shown(*p, "learned").find("ring") != std::string::npos;
    }
    CHECK(found);
    CHECK(host.saved());
    CHECK(all_allowed(*p));
}

TEST_CASE("Sum learns while audio runs and states arrive") {
    auto p = ready("sum", 2, 8'000.0);
    set_state_text(*p, R"({"mics": [{"role": "kick_in", "gate": {"key": "kit"}}, {"role": "snare_top"}]})");
    const auto state = state_text(*p);
    Channels strokes(kSumMics, Signal(24'000, 0.0f)); // two drums by turns, each softer in the other's mic
    const auto kick = membrane(8'000.0, 3, 0.1), snare = membrane(8'000.0, 3, 0.5);
    for (std::size_t n = 0; n < 22'000; ++n)
        strokes[0][n] = kick[n] + 0.1f * snare[n], strokes[1][n] = snare[n] + 0.1f * kick[n];
    const HostAtWork host(*p, strokes);
    bool learned = false;
    std::string known;
    for (int i = 0; i < 6; ++i) {
        start_learning(*p, "learning");
        wait_until_heard(*p, "heard_s", 6); // each drum six times
        if (i == 2) set_state_text(*p, state);
        if (i == 4) p->setCurrentProgram(0), set_state_text(*p, known.empty() ? state : known);
        finish_learning(*p, "learning");
        if (shown(*p, "learning") == "learned") learned = true, known = state_text(*p);
    }
    CHECK(learned);
    CHECK(host.saved());
    CHECK(all_allowed(*p));
}

TEST_CASE("a plug-in goes away on a thread that is not the host's main one") {
    const auto plugin = GENERATE(from_range(kPlugins));
    for (int i = 0; i < 5; ++i) {
        auto p = ready(plugin);
        std::atomic<bool> gone{false};
        std::thread other([&] { p.reset(), gone.store(true); });
        CHECK(pump_until([&] { return gone.load(); })); // the poll may run just then
        other.join();
    }
    pump_polls(); // what was left to the message thread
}
