#pragma once
// The audio of a session as the analysis wants it: one reading from end to end, then excerpts from anywhere.
#include "faults/faults.h"
#include "offline/audio/audio_file.h"
#include "offline/session/session.h"
#include "take/mic_measure.h"
#include "take/mic_scan.h"
#include "take/take.h"
#include <functional>
#include <memory>
#include <vector>

namespace kitfold::offline {

/// What the first reading of a mic found.
struct FirstReading {
    dsp::MicMeasure measure;
    dsp::ScanFeatures scan;
    double true_peak = 0.0; ///< linear, ITU-R BS.1770-4, annex 2; never below the sample peak
};

/// Every mic of a session at the rate that most files have. A file at another rate is silence here: what to
/// do about it is for file_faults() to say. Files with BWF time references are lined up by them.
class TakeFiles {
public:
    /// Of the session's range only: as if the files had been cut to it first. Throws Error as AudioReader
    /// does; bad_input too for a range beyond the end. The session must outlive it.
    explicit TakeFiles(const Session& session);
    ~TakeFiles();

    /// Its read() may be called by any number of threads. An excerpt that cannot be read is silence;
    /// throw_if_failed() tells.
    [[nodiscard]] const dsp::Take& take() const noexcept;
    [[nodiscard]] const std::vector<dsp::MicFile>& files() const noexcept; ///< one per mic
    [[nodiscard]] bool at_rate(std::size_t mic) const noexcept;            ///< false: silence here
    [[nodiscard]] const std::vector<std::string>& notices() const noexcept;

    /// Reads everything, on two threads. @param progress share done, 0..1, on any thread, one at a time.
    /// Throws Error when a file breaks off.
    std::vector<FirstReading> read_all(const std::function<void(double)>& progress);

    /// Throws what went wrong in take().read, if anything did.
    void throw_if_failed() const;

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
