#pragma once
// All mics of a session side by side: at one rate, lined up in time, the short ones ending in silence.
#include "offline/audio/audio_file.h"
#include "offline/session/session.h"
#include <optional>

namespace kitfold::offline {

struct KitReaderOptions {
    std::optional<int>
        rate_hz;          ///< convert files of another rate to this one; without it unequal rates are refused
    bool digests = false; ///< sum the files while reading
};

/// What is known of a mic's file.
struct MicSource {
    std::filesystem::path file;
    AudioInfo info;
    double start_s = 0.0;         ///< after the earliest mic, by the BWF time references; of the whole file
    std::string xxh128;           ///< when asked for, after finish()
    std::uint64_t non_finite = 0; ///< samples of the file that were not numbers, after finish()
};

class KitReader {
public:
    /// Opens every file (once, however many mics are in it), and takes the session's range of them: what is
    /// read is as if the files had been cut to it first. Throws Error as AudioReader does, and bad_input
    /// for a range beyond the end, unequal rates, a rate to convert to outside 8'000..384'000, and a mic that
    /// never sounds together with another (by time reference).
    explicit KitReader(const Session& session, const KitReaderOptions& options = {});
    ~KitReader();
    KitReader(KitReader&&) noexcept;
    KitReader& operator=(KitReader&&) noexcept;

    [[nodiscard]] int rate_hz() const noexcept;
    [[nodiscard]] std::int64_t frames() const noexcept; ///< of the range: else until the last mic has ended

    /// Fills planes[0..mics) of the session's mics with `frames` samples each, silence where a mic has none:
    /// before its start, after its end, and for ever. Throws Error.
    void read(float* const* planes, std::size_t frames);

    [[nodiscard]] const std::vector<MicSource>& sources() const noexcept; ///< one per mic
    /// What the engineer should know: mics that end early, start late, have no time reference. One line each.
    [[nodiscard]] const std::vector<std::string>& notices() const noexcept;

    /// Completes what sources() tells of the files. After the last read().
    void finish();

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
