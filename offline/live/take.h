#pragma once
// A take while it is recorded.
#include "offline/audio/growing_wav.h"
#include "offline/session/session.h"
#include <cstdio>
#include <vector>

namespace kitfold::offline {

/// A folder take-001, take-002 … with a file per mic, the two tracks (drums.wav), a session on which `check`
/// and `bounce` run, and a log (log.txt: sample, time, what). All of it is worth something at any moment,
/// however the program ends. One thread at a time.
class LiveTake {
public:
    static constexpr const char* kTracks = "drums.wav";

    /// Makes the folder, with the next number that is free, and its files. The time of day is now.
    /// @param bits 24, or 32 for float. Throws Error: bad_input when `record` is no folder, io_failed.
    LiveTake(const std::filesystem::path& record, const Session& session, int rate_hz, int bits);
    ~LiveTake();
    LiveTake(const LiveTake&) = delete;
    LiveTake& operator=(const LiveTake&) = delete;

    [[nodiscard]] const std::filesystem::path& folder() const noexcept { return folder_; }
    [[nodiscard]] std::string name() const { return folder_.filename().string(); }

    /// Samples of the tracks to leave out at the start, so that they lie beside the inputs.
    void begin(std::size_t latency);
    /// The mics, then left and right. This and what follows but log() throws io_failed.
    void write(const float* const* planes, std::size_t frames);
    void write_silence(std::int64_t frames);
    /// A line of the log, at once on its way to the disk. @param sample of the take
    void log(std::int64_t sample, const std::string& what);
    void update();
    void close();

private:
    std::filesystem::path folder_;
    int rate_hz_;
    std::vector<GrowingWav> mics_;
    std::vector<GrowingWav> tracks_; ///< one file
    std::FILE* log_ = nullptr;
    std::size_t skip_ = 0;
};

/// The session as a take has it: the same sound, on the files of the take. Throws io_failed.
void save_take_session(const Session& session, const std::filesystem::path& take);

} // namespace kitfold::offline
