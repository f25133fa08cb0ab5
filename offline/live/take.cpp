#include "offline/live/take.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include "offline/util/file_name.h"
#include <algorithm>
#include <cerrno>
#include <charconv>
#include <chrono>
#include <cstring>
#include <ctime>
#include <fmt/chrono.h>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view kPrefix = "take-";

/// The highest number of a take in the folder; 0 for none.
int last_number(const fs::path& record) {
    int last = 0;
    std::error_code ignored;
    for (const auto& entry : fs::directory_iterator(record, ignored)) {
        const auto name = entry.path().filename().string();
        int number = 0;
        if (!name.starts_with(kPrefix)) continue;
        const auto* end = name.data() + name.size();
        if (const auto [at, error] = std::from_chars(name.data() + kPrefix.size(), end, number);
            error == std::errc() && at == end)
            last = std::max(last, number);
    }
    return last;
}

fs::path make_take_folder(const fs::path& record) {
    std::error_code error;
    if (fs::exists(record, error) && !fs::is_directory(record, error))
        throw bad_input(record.string() + ": is not a folder; --record takes a folder");
    fs::create_directories(record, error);
    if (error) throw io_failed(record.string() + ": can't be made: " + error.message());
    for (int number = last_number(record) + 1;; ++number) {
        const auto folder = record / fmt::format("{}{:03}", kPrefix, number);
        if (fs::create_directory(folder, error)) return folder;
        if (error) throw io_failed(folder.string() + ": can't be made: " + error.message());
    }
}

/// EBU Tech 3285: time of day in samples since midnight.
BroadcastInfo broadcast_now(const std::string& take, int rate_hz) {
    using namespace std::chrono;
    const auto now = system_clock::now();
    const std::time_t seconds = system_clock::to_time_t(now);
    const std::tm local = fmt::localtime(seconds);
    const double rest = duration<double>(now - system_clock::from_time_t(seconds)).count();
    const double since_midnight_s = local.tm_hour * 3600.0 + local.tm_min * 60.0 + local.tm_sec + rest;
    BroadcastInfo info;
    info.description = take;
    info.originator = "Kitfold " KITFOLD_VERSION;
    info.date = fmt::format("{:%Y-%m-%d}", local);
    info.time = fmt::format("{:%H:%M:%S}", local);
    info.time_reference = std::llround(since_midnight_s * rate_hz);
    return info;
}

std::string mic_file(std::size_t mic, const std::string& name) { return numbered_name(mic, name) + ".wav"; }

} // namespace

LiveTake::LiveTake(const fs::path& record, const Session& session, int rate_hz, int bits)
    : folder_(make_take_folder(record)), rate_hz_(rate_hz) {
    AudioFormat format{.rate_hz = rate_hz, .channels = 1, .bits = bits, .dither = false, .broadcast = {}};
    format.broadcast = broadcast_now(name(), rate_hz);
    for (std::size_t m = 0; m < session.mics.size(); ++m)
        mics_.emplace_back(folder_ / mic_file(m, session.mics[m].name), format);
    format.channels = 2, format.dither = session.output.dither; // the converter's own bits need none
    tracks_.emplace_back(folder_ / kTracks, format);
    log_ = std::fopen((folder_ / "log.txt").c_str(), "wxe");
    if (log_ == nullptr)
        throw io_failed((folder_ / "log.txt").string() + ": can't be written: " + std::strerror(errno));
    save_take_session(session, folder_);
    fmt::print(log_, "{}, {} {}, {} Hz, {} mics\n      sample        time  what\n", name(),
               format.broadcast->date, format.broadcast->time, rate_hz, session.mics.size());
    std::fflush(log_);
}

LiveTake::~LiveTake() {
    if (log_ != nullptr) std::fclose(log_);
}

void LiveTake::begin(std::size_t latency) { skip_ = latency; }

void LiveTake::write(const float* const* planes, std::size_t frames) {
    for (std::size_t m = 0; m < mics_.size(); ++m) mics_[m].write(planes + m, frames);
    const std::size_t skipped = std::min(skip_, frames);
    skip_ -= skipped;
    const float* const tracks[] = {planes[mics_.size()] + skipped, planes[mics_.size() + 1] + skipped};
    tracks_.front().write(tracks, frames - skipped);
}

void LiveTake::write_silence(std::int64_t frames) {
    constexpr std::int64_t kMost = 4'096;
    const std::vector<float> silence(kMost);
    const std::vector<const float*> planes(mics_.size() + 2, silence.data());
    for (; frames > 0; frames -= kMost)
        write(planes.data(), static_cast<std::size_t>(std::min(frames, kMost)));
}

void LiveTake::log(std::int64_t sample, const std::string& what) {
    const double seconds = double(sample) / rate_hz_;
    const int minutes = static_cast<int>(seconds / 60.0);
    fmt::print(log_, "{:12}  {:3}:{:06.3f}  {}\n", sample, minutes, seconds - 60.0 * minutes, what);
    std::fflush(log_);
}

void LiveTake::update() {
    for (auto& mic : mics_) mic.update();
    tracks_.front().update();
}

void LiveTake::close() {
    for (auto& mic : mics_) mic.close();
    tracks_.front().close();
}

void save_take_session(const Session& session, const fs::path& take) {
    auto own = session;
    own.path = take / "session.json";
    own.range = {}; // a part of another recording
    if (!own.title.empty()) own.title += ", ";
    own.title += take.filename().string();
    for (std::size_t m = 0; m < own.mics.size(); ++m)
        own.mics[m].file = mic_file(m, own.mics[m].name), own.mics[m].channel = 1;
    save_session(own, own.path);
}

} // namespace kitfold::offline
