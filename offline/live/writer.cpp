#include "offline/live/writer.h"
#include "offline/util/errors.h"
#include <chrono>
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

constexpr std::size_t kBlock = 4'096;
constexpr auto kPause = std::chrono::milliseconds(20);
constexpr double kUnsaidS = 0.5; ///< a file may end so long before the sound did

float largest(const float* x, std::size_t frames) {
    float most = 0.0f;
    for (std::size_t n = 0; n < frames; ++n)
        if (const float size = std::abs(x[n]); size > most) most = size; // not for NaN
    return most;
}

} // namespace

LiveWriter::LiveWriter(LiveEngine& engine)
    : engine_(engine), buffers_(engine.mics() + 2, std::vector<float>(kBlock)),
      loudness_(static_cast<int>(engine.rate_hz())) {
    for (auto& buffer : buffers_) planes_.push_back(buffer.data());
    readings_.peaks.assign(engine.mics(), 0.0f), readings_.track_peaks.assign(2, 0.0f);
    thread_ = std::thread([this] { run(); });
}

LiveWriter::~LiveWriter() { finish(); }

void LiveWriter::expect(std::unique_ptr<LiveTake> take) {
    const std::lock_guard lock(mutex_);
    expected_.push_back(std::move(take));
}

void LiveWriter::finish() {
    {
        const std::lock_guard lock(mutex_);
        ending_ = true;
    }
    ended_.notify_all();
    if (thread_.joinable()) thread_.join();
}

LiveReadings LiveWriter::look() {
    const std::lock_guard lock(mutex_);
    auto out = readings_;
    std::fill(readings_.peaks.begin(), readings_.peaks.end(), 0.0f);
    std::fill(readings_.track_peaks.begin(), readings_.track_peaks.end(), 0.0f);
    return out;
}

std::vector<std::filesystem::path> LiveWriter::finished_takes() {
    const std::lock_guard lock(mutex_);
    return std::exchange(finished_, {});
}

void LiveWriter::run() {
    for (bool last = false; !last;) {
        {
            std::unique_lock lock(mutex_);
            ended_.wait_for(lock, kPause, [this] { return ending_; });
            last = ending_;
        }
        drain();
    }
    if (const auto lost = engine_.frames() - at_; lost > 0) handle({LiveEvent::Kind::tape_lost, at_, lost});
    close_take();
}

void LiveWriter::drain() {
    while (true) {
        // before the events: each of them comes before its sound
        const std::size_t there = std::min(engine_.tape().readable(), kBlock);
        const auto event = engine_.events().front();
        const std::int64_t until = event ? event->frame - at_ : std::int64_t{kBlock};
        if (event && until <= 0) {
            engine_.events().pop();
            handle(*event);
            continue;
        }
        if (there == 0) break;
        read(std::min(there, static_cast<std::size_t>(until)));
    }
    const double loudness_lufs = loudness_.loudness_lufs();
    const std::lock_guard lock(mutex_);
    readings_.loudness_lufs = loudness_lufs;
    readings_.take = take_ ? take_->name() : std::string();
    readings_.take_frames = take_ ? at_ - take_begin_ : 0;
}

/// A take whose files can't be written any more ends where its files were last said to end.
template <class Work> void LiveWriter::with_take(Work&& work) {
    if (!take_) return;
    try {
        work(*take_);
    } catch (const std::exception& error) {
        take_->log(at_ - take_begin_, fmt::format("given up: {}", line_for(error)));
        const std::lock_guard lock(mutex_);
        readings_.trouble = line_for(error);
        finished_.push_back(take_->folder());
        take_.reset();
    }
}

void LiveWriter::handle(const LiveEvent& event) {
    using Kind = LiveEvent::Kind;
    const auto log = [&](const std::string& what) {
        with_take([&](LiveTake& take) { take.log(event.frame - take_begin_, what); });
    };
    const auto count = [&](std::int64_t LiveReadings::*what, std::int64_t by) {
        const std::lock_guard lock(mutex_);
        readings_.*what += by;
    };
    switch (event.kind) {
    case Kind::take: {
        close_take();
        const std::lock_guard lock(mutex_);
        if (expected_.empty()) break;
        take_ = std::move(expected_.front());
        expected_.pop_front();
        take_begin_ = event.frame;
        take_->begin(static_cast<std::size_t>(event.value));
        take_->log(0, fmt::format("take begins; the tracks are {} samples late and were moved by that",
                                  event.value));
        break;
    }
    case Kind::tape_lost:
        log(fmt::format("lost: {} samples that nobody wrote in time; silence stands for them", event.value));
        with_take([&](LiveTake& take) { take.write_silence(event.value); });
        at_ += event.value;
        count(&LiveReadings::tape_lost_frames, event.value);
        break;
    case Kind::server_lost:
        log(fmt::format("lost: the server tells of {} lost buffers; later sound may be early by that much",
                        event.value));
        count(&LiveReadings::server_lost, event.value);
        break;
    case Kind::edit:
        log(fmt::format("edit: the session's changes glide in; latency {} samples", event.value));
        count(&LiveReadings::edits, 1);
        break;
    case Kind::marker:
        log(fmt::format("marker {}", event.value));
        count(&LiveReadings::markers, 1);
        break;
    case Kind::block:
        log(fmt::format("the server's block size is {} now", event.value));
        break;
    }
}

void LiveWriter::read(std::size_t frames) {
    engine_.tape().read(planes_.data(), frames);
    at_ += static_cast<std::int64_t>(frames);
    meter(frames);
    unsaid_ += static_cast<std::int64_t>(frames);
    const bool say = double(unsaid_) >= kUnsaidS * engine_.rate_hz();
    if (say) unsaid_ = 0;
    with_take([&](LiveTake& take) {
        take.write(planes_.data(), frames);
        if (say) take.update();
    });
}

void LiveWriter::meter(std::size_t frames) {
    const std::size_t mics = engine_.mics();
    loudness_.add(planes_[mics], planes_[mics + 1], frames);
    const std::lock_guard lock(mutex_);
    for (std::size_t m = 0; m < mics; ++m)
        readings_.peaks[m] = std::max(readings_.peaks[m], largest(planes_[m], frames));
    for (std::size_t t = 0; t < 2; ++t)
        readings_.track_peaks[t] = std::max(readings_.track_peaks[t], largest(planes_[mics + t], frames));
}

void LiveWriter::close_take() {
    with_take([&](LiveTake& take) {
        take.close();
        take.log(at_ - take_begin_, "take ends");
        const std::lock_guard lock(mutex_);
        finished_.push_back(take.folder());
    });
    take_.reset();
}

} // namespace kitfold::offline
