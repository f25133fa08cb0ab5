#include "offline/live/jack_client.h"
#include "offline/util/errors.h"

#ifdef KITFOLD_JACK
#include <algorithm>
#include <array>
#include <cerrno>
#include <chrono>
#include <fmt/format.h>
#include <jack/jack.h>

namespace kitfold::offline {
namespace {

/// JACK's own separator does not go into a name.
std::string port_name(std::string mic) {
    std::replace(mic.begin(), mic.end(), ':', '_');
    return mic;
}

void say_nothing(const char*) {} // what there is to say, we say

/// Written by the callback alone; anybody may look.
class TimeCounts {
public:
    void add(std::chrono::nanoseconds time, double block_us) noexcept {
        const auto us = static_cast<std::size_t>(time.count() / 1'000);
        auto& count = counts_[std::min(us, counts_.size() - 1)];
        count.store(count.load(std::memory_order_relaxed) + 1, std::memory_order_relaxed);
        total_us_.store(total_us_.load(std::memory_order_relaxed) + double(time.count()) / 1e3,
                        std::memory_order_relaxed);
        if (double(time.count()) / 1e3 > block_us)
            late_.store(late_.load(std::memory_order_relaxed) + 1, std::memory_order_relaxed);
        if (const auto worst = double(time.count()) / 1e3; worst > worst_us_.load(std::memory_order_relaxed))
            worst_us_.store(worst, std::memory_order_relaxed);
    }
    [[nodiscard]] CallbackTimes look() const noexcept {
        CallbackTimes out;
        for (const auto& count : counts_) out.calls += count.load(std::memory_order_relaxed);
        out.late = late_.load(std::memory_order_relaxed);
        std::int64_t above = 0;
        for (std::size_t us = counts_.size(); us-- > 0 && above * 1'000 <= out.calls;) {
            above += counts_[us].load(std::memory_order_relaxed);
            out.p999_us = double(us) + 1.0;
        }
        out.worst_us = worst_us_.load(std::memory_order_relaxed);
        out.p999_us = std::min(out.p999_us, out.worst_us);
        if (out.calls > 0) out.mean_us = total_us_.load(std::memory_order_relaxed) / double(out.calls);
        return out;
    }

private:
    std::array<std::atomic<std::int64_t>, 20'000> counts_{}; ///< of each microsecond; the last: all above
    std::atomic<std::int64_t> late_{0};
    std::atomic<double> worst_us_{0.0}, total_us_{0.0};
};

} // namespace

struct JackClient::Impl {
    jack_client_t* client = nullptr;
    LiveEngine* engine = nullptr;
    bool active = false; ///< engine may be called
    std::vector<jack_port_t*> mics, cues, outputs;
    std::atomic<bool> gone{false};
    TimeCounts times;

    ~Impl() {
        if (client != nullptr) jack_client_close(client);
    }

    static void* buffer(jack_port_t* port, jack_nframes_t frames) noexcept {
        return jack_port_get_buffer(port, frames);
    }

    static int process(jack_nframes_t frames, void* self) noexcept {
        auto& my = *static_cast<Impl*>(self);
        const auto begin = std::chrono::steady_clock::now();
        const float *in[dsp::PanMix::kMaxMics], *cue[2];
        float* out[4];
        for (std::size_t m = 0; m < my.mics.size(); ++m)
            in[m] = static_cast<const float*>(buffer(my.mics[m], frames));
        for (std::size_t c = 0; c < 2; ++c) cue[c] = static_cast<const float*>(buffer(my.cues[c], frames));
        for (std::size_t o = 0; o < my.outputs.size(); ++o)
            out[o] = static_cast<float*>(buffer(my.outputs[o], frames));
        my.engine->process(in, cue, out, frames);
        my.times.add(std::chrono::steady_clock::now() - begin, 1e6 * frames / my.engine->rate_hz());
        return 0;
    }

    static int lost(void* self) noexcept {
        static_cast<Impl*>(self)->engine->note_server_loss();
        return 0;
    }
    static int block_changed(jack_nframes_t frames, void* self) noexcept {
        static_cast<Impl*>(self)->engine->note_block_frames(frames);
        return 0;
    }
    static void shut_down(void* self) noexcept { static_cast<Impl*>(self)->gone.store(true); }

    /// An output is late by the latest input and ours; an input waits for the latest output and ours.
    static void latency(jack_latency_callback_mode_t mode, void* self) noexcept {
        auto& my = *static_cast<Impl*>(self);
        const auto own = static_cast<jack_nframes_t>(my.engine->latency());
        const auto& from = mode == JackCaptureLatency ? my.mics : my.outputs;
        jack_latency_range_t all{};
        for (auto* port : from) {
            jack_latency_range_t range{};
            jack_port_get_latency_range(port, mode, &range);
            all.min = port == from.front() ? range.min : std::min(all.min, range.min);
            all.max = std::max(all.max, range.max);
        }
        all.min += own, all.max += own;
        for (auto* port : mode == JackCaptureLatency ? my.outputs : my.mics)
            jack_port_set_latency_range(port, mode, &all);
    }

    jack_port_t* make_port(const std::string& name, unsigned long flags) const {
        auto* port = jack_port_register(client, name.c_str(), JACK_DEFAULT_AUDIO_TYPE, flags, 0);
        if (port == nullptr)
            throw bad_input(
                fmt::format("{}: JACK gives no port of this name; the server may be out of ports (jackd "
                            "--port-max), or the mic has the name of one of the other ports",
                            name));
        return port;
    }

    /// Ports of the hardware, in the server's order.
    [[nodiscard]] std::vector<std::string> hardware(unsigned long flags) const {
        std::vector<std::string> out;
        const char** names =
            jack_get_ports(client, nullptr, JACK_DEFAULT_AUDIO_TYPE, flags | JackPortIsPhysical);
        for (const char** name = names; name != nullptr && *name != nullptr; ++name) out.emplace_back(*name);
        if (names != nullptr) jack_free(names);
        return out;
    }

    void join(const std::string& from, const std::string& to, std::vector<std::string>& notices) const {
        const int error = jack_connect(client, from.c_str(), to.c_str());
        if (error != 0 && error != EEXIST)
            notices.push_back(fmt::format("{} could not be joined to {}", from, to));
    }
};

JackClient::JackClient() : impl_(std::make_unique<Impl>()) {
    jack_set_error_function(say_nothing), jack_set_info_function(say_nothing);
    jack_status_t status{};
    impl_->client = jack_client_open("kitfold", JackNoStartServer, &status);
    if (impl_->client == nullptr)
        throw io_failed(
            "no JACK server answers; start one, for an interface with: jackd -d alsa -r 48000 -p 64, "
            "without one: jackd -r -d dummy -r 48000 -p 64");
}
JackClient::~JackClient() { stop(); }

int JackClient::rate_hz() const noexcept { return static_cast<int>(jack_get_sample_rate(impl_->client)); }
int JackClient::block_frames() const noexcept {
    return static_cast<int>(jack_get_buffer_size(impl_->client));
}

void JackClient::start(LiveEngine& engine, const std::vector<std::string>& mics) {
    auto& my = *impl_;
    my.engine = &engine;
    my.outputs.clear();
    for (const auto* name : {"left", "right", "dry_left", "dry_right"})
        if (my.outputs.size() < engine.outputs()) my.outputs.push_back(my.make_port(name, JackPortIsOutput));
    for (const auto& mic : mics) my.mics.push_back(my.make_port(port_name(mic), JackPortIsInput));
    for (const auto* name : {"cue_left", "cue_right"}) my.cues.push_back(my.make_port(name, JackPortIsInput));
    jack_set_process_callback(my.client, Impl::process, &my);
    jack_set_xrun_callback(my.client, Impl::lost, &my);
    jack_set_buffer_size_callback(my.client, Impl::block_changed, &my);
    jack_set_latency_callback(my.client, Impl::latency, &my);
    jack_on_shutdown(my.client, Impl::shut_down, &my);
    engine.note_block_frames(static_cast<std::size_t>(block_frames()));
    if (jack_activate(my.client) != 0) throw io_failed("the JACK server does not let Kitfold play");
    my.active = true;
}

std::vector<std::string> JackClient::connect() {
    const auto& my = *impl_;
    std::vector<std::string> notices;
    const auto capture = my.hardware(JackPortIsOutput), playback = my.hardware(JackPortIsInput);
    for (std::size_t m = 0; m < my.mics.size(); ++m) {
        const std::string port = jack_port_name(my.mics[m]);
        if (m < capture.size())
            my.join(capture[m], port, notices);
        else
            notices.push_back(
                fmt::format("{} is joined to nothing: the hardware has {} inputs", port, capture.size()));
    }
    for (std::size_t o = 0; o < 2; ++o) { // the drummer listens to what there is for listening
        const std::string port = jack_port_name(my.outputs[my.outputs.size() - 2 + o]);
        if (o < playback.size())
            my.join(port, playback[o], notices);
        else
            notices.push_back(
                fmt::format("{} is joined to nothing: the hardware has {} outputs", port, playback.size()));
    }
    return notices;
}

void JackClient::tell_latency() noexcept { jack_recompute_total_latencies(impl_->client); }

void JackClient::stop() noexcept {
    if (impl_->active) jack_deactivate(impl_->client);
    impl_->active = false;
}

bool JackClient::server_gone() const noexcept { return impl_->gone.load(); }
CallbackTimes JackClient::times() const noexcept { return impl_->times.look(); }

} // namespace kitfold::offline

#else

namespace kitfold::offline {

struct JackClient::Impl {};
JackClient::JackClient() {
    throw io_failed(
        "this kitfold was built without JACK's library (Debian: libjack-jackd2-dev), so it has no live");
}
JackClient::~JackClient() = default;
int JackClient::rate_hz() const noexcept { return 0; }
int JackClient::block_frames() const noexcept { return 0; }
void JackClient::start(LiveEngine&, const std::vector<std::string>&) {}
std::vector<std::string> JackClient::connect() { return {}; }
void JackClient::tell_latency() noexcept {}
void JackClient::stop() noexcept {}
bool JackClient::server_gone() const noexcept { return false; }
CallbackTimes JackClient::times() const noexcept { return {}; }

} // namespace kitfold::offline
#endif
