#pragma once
// The thread that takes sound off the tape: meters, and files while a take is recorded.
#include "offline/audio/meters.h"
#include "offline/live/engine.h"
#include "offline/live/take.h"
#include <condition_variable>
#include <deque>
#include <mutex>
#include <thread>

namespace kitfold::offline {

/// What there is to see. Peaks are the largest |sample| since the last look.
struct LiveReadings {
    std::vector<float> peaks;          ///< of the mics, as they come in
    std::vector<float> track_peaks;    ///< left, right
    double loudness_lufs = kSilenceDb; ///< of the two tracks, the last three seconds
    std::string take;                  ///< name of the one that is recorded; empty: none
    std::int64_t take_frames = 0;
    std::int64_t server_lost = 0, tape_lost_frames = 0, markers = 0, edits = 0; ///< since the start
    std::string trouble; ///< why a take was given up, the newest reason; empty: none
};

class LiveWriter {
public:
    /// Starts the thread. The engine must outlive it.
    explicit LiveWriter(LiveEngine& engine);
    ~LiveWriter(); ///< as finish()
    LiveWriter(const LiveWriter&) = delete;
    LiveWriter& operator=(const LiveWriter&) = delete;

    /// The take for whose beginning the engine is going to be asked next.
    void expect(std::unique_ptr<LiveTake> take);
    /// When nothing comes from the engine any more: writes what is on tape, and closes the take.
    void finish();

    [[nodiscard]] LiveReadings look();
    /// Folders of the takes that are whole since the last call.
    [[nodiscard]] std::vector<std::filesystem::path> finished_takes();

private:
    void run();
    void drain();
    void handle(const LiveEvent& event);
    void read(std::size_t frames);
    void meter(std::size_t frames);
    void close_take();
    template <class Work> void with_take(Work&& work);

    LiveEngine& engine_;
    // the thread's own
    std::unique_ptr<LiveTake> take_;
    std::int64_t at_ = 0, take_begin_ = 0, unsaid_ = 0; ///< frames
    std::vector<std::vector<float>> buffers_;
    std::vector<float*> planes_;
    ShortTermMeter loudness_;

    std::mutex mutex_; ///< of what follows
    std::condition_variable ended_;
    bool ending_ = false;
    std::deque<std::unique_ptr<LiveTake>> expected_;
    std::vector<std::filesystem::path> finished_;
    LiveReadings readings_;
    std::thread thread_;
};

} // namespace kitfold::offline
