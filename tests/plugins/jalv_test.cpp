// The LV2 bundles in jalv on a JACK server without hardware: audio goes in at one end and is compared at the
// other.
#include "bundles.h"
#include "support.h"
#include <atomic>
#include <catch2/catch.hpp>
#include <chrono>
#include <csignal>
#include <fcntl.h>
#include <filesystem>
#include <jack/jack.h>
#include <spawn.h>
#include <sys/wait.h>
#include <thread>
#include <unistd.h>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;
namespace fs = std::filesystem;

extern char** environ;

namespace {

/// What other programs are waited for; no plug-in runs here.
template <class Condition> bool wait_until(Condition&& condition) {
    const auto end = std::chrono::steady_clock::now() + kPatience;
    while (!condition()) {
        if (std::chrono::steady_clock::now() > end) return false;
        std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
    return true;
}

/// A program that runs until this goes; what it says is not shown, and it can say nothing to us.
class Running {
public:
    Running(std::vector<std::string> words, const std::vector<std::string>& variables) {
        std::vector<char*> arguments, environment;
        for (auto& word : words) arguments.push_back(word.data());
        auto kept = variables;
        for (auto& variable : kept) environment.push_back(variable.data());
        for (char** old = environ; *old != nullptr; ++old) environment.push_back(*old);
        arguments.push_back(nullptr), environment.push_back(nullptr);
        REQUIRE(pipe(quiet_input_) == 0); // an input that stays open and empty: jalv ends at its end
        posix_spawn_file_actions_t actions;
        posix_spawn_file_actions_init(&actions);
        posix_spawn_file_actions_adddup2(&actions, quiet_input_[0], 0);
        for (const int output : {1, 2})
            posix_spawn_file_actions_addopen(&actions, output, "/dev/null", O_WRONLY, 0);
        REQUIRE(posix_spawnp(&id_, arguments[0], &actions, nullptr, arguments.data(), environment.data()) ==
                0);
        posix_spawn_file_actions_destroy(&actions);
    }
    ~Running() {
        kill(id_, SIGTERM);
        if (!wait_until([&] { return waitpid(id_, nullptr, WNOHANG) != 0; })) {
            kill(id_, SIGKILL);
            waitpid(id_, nullptr, 0);
        }
        close(quiet_input_[0]), close(quiet_input_[1]);
    }
    Running(const Running&) = delete;
    Running& operator=(const Running&) = delete;

private:
    pid_t id_ = 0;
    int quiet_input_[2] = {-1, -1};
};

/// Sends signals to a JACK client's inputs and keeps what comes from its outputs.
class Player {
public:
    static constexpr std::size_t kPeriod = 256, kLead = 16 * kPeriod;

    explicit Player(const std::string& server) {
        jack_set_error_function([](const char*) {}); // it complains until the server is there
        wait_until([&] {
            client_ = jack_client_open("kitfold_player",
                                       static_cast<jack_options_t>(JackNoStartServer | JackServerName),
                                       nullptr, server.c_str());
            return client_ != nullptr;
        });
        REQUIRE(client_ != nullptr);
        jack_set_process_callback(client_, process, this);
    }
    ~Player() { jack_client_close(client_); }
    Player(const Player&) = delete;
    Player& operator=(const Player&) = delete;

    bool has_port(const std::string& name) const {
        return jack_port_by_name(client_, name.c_str()) != nullptr;
    }

    Channels play(const std::string& plugin, const Channels& in, std::size_t outputs, std::size_t tail) {
        in_ = in;
        for (auto& c : in_) // a new connection counts from the next period on: silence until all of them do
            c.insert(c.begin(), kLead, 0.0f), c.resize(c.size() + tail, 0.0f);
        out_.assign(outputs, {});
        for (auto& c : out_) c.reserve(in_[0].size() + 1'024);
        for (std::size_t c = 0; c < in.size(); ++c)
            sends_.push_back(jack_port_register(client_, ("send_" + std::to_string(c + 1)).c_str(),
                                                JACK_DEFAULT_AUDIO_TYPE, JackPortIsOutput, 0));
        for (std::size_t c = 0; c < outputs; ++c)
            returns_.push_back(jack_port_register(client_, ("return_" + std::to_string(c + 1)).c_str(),
                                                  JACK_DEFAULT_AUDIO_TYPE, JackPortIsInput, 0));
        REQUIRE(jack_activate(client_) == 0);
        REQUIRE(jack_set_freewheel(client_, 1) == 0); // no deadline: a busy machine drops nothing
        for (std::size_t c = 0; c < in.size(); ++c)
            REQUIRE(jack_connect(client_, jack_port_name(sends_[c]),
                                 (plugin + ":audio_in_" + std::to_string(c + 1)).c_str()) == 0);
        for (std::size_t c = 0; c < outputs; ++c)
            REQUIRE(jack_connect(client_, (plugin + ":audio_out_" + std::to_string(c + 1)).c_str(),
                                 jack_port_name(returns_[c])) == 0);
        playing_.store(true);
        CHECK(wait_until([&] { return done_.load(); }));
        jack_set_freewheel(client_, 0);
        jack_deactivate(client_);
        return out_;
    }

private:
    static int process(jack_nframes_t frames, void* self) { return static_cast<Player*>(self)->run(frames); }

    int run(jack_nframes_t frames) {
        const bool plays = playing_.load() && !done_.load();
        for (std::size_t c = 0; c < sends_.size(); ++c) {
            auto* to = static_cast<float*>(jack_port_get_buffer(sends_[c], frames));
            for (jack_nframes_t n = 0; n < frames; ++n)
                to[n] = plays && at_ + n < in_[c].size() ? in_[c][at_ + n] : 0.0f;
        }
        for (std::size_t c = 0; plays && c < returns_.size(); ++c) {
            const auto* from = static_cast<const float*>(jack_port_get_buffer(returns_[c], frames));
            out_[c].insert(out_[c].end(), from, from + frames);
        }
        if (plays) at_ += frames;
        if (at_ >= in_[0].size()) done_.store(true);
        return 0;
    }

    jack_client_t* client_ = nullptr;
    std::vector<jack_port_t*> sends_, returns_;
    Channels in_, out_;
    std::size_t at_ = 0;
    std::atomic<bool> playing_{false}, done_{false};
};

std::vector<double> defaults(const Layout& layout) {
    std::vector<double> out;
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) out.push_back(control.parameter->fallback);
    return out;
}

/// JACK adds whole periods of delay. And the plug-in has heard whole periods of silence before: the grid of 4
/// ms on which a gate's key is measured may stand at any of three places (192 samples against 256).
bool plays_as_reference(const Bundle& bundle, const Channels& in, const Channels& out) {
    constexpr auto kPeriod = Player::kPeriod;
    const auto settings = defaults(plugins::layout_of(bundle.plugin, bundle.channels));
    for (std::size_t silence = 0; silence < 3 * kPeriod; silence += kPeriod) {
        auto heard = in;
        for (auto& c : heard) c.insert(c.begin(), silence, 0.0f);
        const auto expected = reference(bundle.plugin, bundle.channels, settings, heard, kRate);
        for (std::size_t late = Player::kLead; late <= Player::kLead + 4 * kPeriod; late += kPeriod) {
            bool same = true;
            for (std::size_t c = 0; c < out.size() && same; ++c)
                same = std::equal(expected[c].begin() + static_cast<std::ptrdiff_t>(silence),
                                  expected[c].end(), out[c].begin() + static_cast<std::ptrdiff_t>(late));
            if (same) return true;
        }
    }
    return false;
}

} // namespace

TEST_CASE("jalv: each bundle plays in real time's order, bit for bit", "[plugins]") {
    const auto server = "kitfold_test_" + std::to_string(getpid());
    // the server waits for its clients, a minute if need be: a busy machine loses none
    const Running jackd(
        {"jackd", "-n", server, "-r", "-S", "-t", "60000", "-d", "dummy", "-r", "48000", "-p", "256"}, {});
    for (const auto& bundle : kLv2) {
        CAPTURE(bundle.name);
        std::string name = bundle.name;
        std::transform(name.begin(), name.end(), name.begin(),
                       [](char c) { return static_cast<char>(std::tolower(c)); });
        const auto layout = plugins::layout_of(bundle.plugin, bundle.channels);
        Player player(server);
        const Running jalv({"jalv", "-n", name, "-x", "https://kitfold.example/plugins/" + name},
                           {"JACK_DEFAULT_SERVER=" + server,
                            "LV2_PATH=" + fs::path(bundle.path).parent_path().string() + ":/usr/lib/lv2"});
        REQUIRE(wait_until([&] { return player.has_port(name + ":audio_out_1"); }));
        const auto in = bursts(layout.inputs.size(), 9'000);
        const auto out = player.play(name, in, layout.outputs.size(), 4'096);
        CHECK(plays_as_reference(bundle, in, out));
    }
}
