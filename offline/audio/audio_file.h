#pragma once
// Audio files in and out, through libsndfile. In: WAV, BWF, RF64, AIFF, FLAC. Out: WAV (RF64 past 4 GiB) and
// FLAC.
#include "offline/util/seal.h"
#include <array>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

/// The broadcast extension of a WAV file (EBU Tech 3285), the fields that are carried from input to output.
struct BroadcastInfo {
    std::string description; ///< at most 256 characters
    std::string originator;  ///< at most 32
    std::string reference;   ///< at most 32
    std::string date;        ///< yyyy-mm-dd
    std::string time;        ///< hh:mm:ss
    std::int64_t time_reference =
        0;                      ///< first sample of the file, in samples of the file's rate since midnight
    std::string coding_history; ///< lines ending in CR LF (EBU R 98)
};

struct AudioInfo {
    int rate_hz = 0;
    int channels = 0;
    std::int64_t frames = 0;
    std::string format; ///< for people: "WAV, 24 bit"
    std::optional<BroadcastInfo> broadcast;
    [[nodiscard]] double seconds() const noexcept { return rate_hz > 0 ? double(frames) / rate_hz : 0.0; }
};

/// Reads chosen channels of one file, from the beginning or from where seek() went. One thread at a time.
/// Samples are float, full scale +-1; PCM of up to 24 bits arrives exactly. NaN and Inf become 0 and are
/// counted.
class AudioReader {
public:
    /// @param channels 1-based channels to deliver, in this order; empty delivers them all.
    /// A FLAC that does not say how long it is, as one written through a pipe, is decoded once to learn that.
    /// Throws Error, bad_input: no such file, a folder, not audio, no samples in it, shorter than its header
    /// promises, a rate outside 8'000..384'000, no such channel; io_failed: the file can't be opened or read.
    explicit AudioReader(const std::filesystem::path& path, std::vector<int> channels = {});
    ~AudioReader();
    AudioReader(AudioReader&&) noexcept;
    AudioReader& operator=(AudioReader&&) noexcept;

    [[nodiscard]] const AudioInfo& info() const noexcept;
    [[nodiscard]] std::size_t planes() const noexcept; ///< how many channels read() delivers

    /// Fills planes[0..planes()) with up to `frames` samples each; returns how many, less only at the end of
    /// the file. Throws Error: bad_input when the file breaks off, can't be decoded or holds what is no sound
    /// (kLargestSample), io_failed when the disk fails.
    std::size_t read(float* const* planes, std::size_t frames);

    /// From now on the file is this part of it only: info().frames and seek() count from there, and the part
    /// begins. The digest stays that of the whole file. Throws bad_input where the file has no such part.
    void keep(std::int64_t first, std::int64_t frames);

    /// Goes to a frame, 0..info().frames. Throws bad_input.
    void seek(std::int64_t frame);

    [[nodiscard]] std::uint64_t non_finite() const noexcept; ///< samples replaced by 0 so far

    /// Call before the first read() to have xxh128() computed on the way, without reading the file twice.
    void start_digest();

    /// XXH128 of the whole file in hex; what has not gone by yet is read now. Throws io_failed.
    /// Anyone can check it with xxh128sum.
    [[nodiscard]] std::string xxh128();

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

/// One channel of a file, whole. Throws as AudioReader does.
struct AudioClip {
    int rate_hz = 0;
    std::vector<float> samples;
};
AudioClip read_channel(const std::filesystem::path& path, int channel = 1);

enum class Container { wav, flac };

/// What goes with an extension: .wav or .flac, in any case. Throws bad_input for anything else.
Container container_for(const std::filesystem::path& path);

struct AudioFormat {
    int rate_hz = 48'000;
    int channels = 2;
    int bits = 24;           ///< 16, 24, or 32 for float (WAV only)
    bool dither = true;      ///< TPDF for 16 and 24 bits; ignored for float
    std::int64_t frames = 0; ///< going to be written: WAV or RF64, and the room taken on the disk
    std::optional<BroadcastInfo> broadcast; ///< WAV only
    Product product = Product::submix;      ///< what its seal says, in the comment of the file
};

/// Writes beside the final name; commit() gives the file its name, destruction without it leaves nothing.
/// The same samples and format give the same bytes. One thread at a time.
class AudioWriter {
public:
    static constexpr std::int64_t kRf64FromBytes =
        0xffff'ff00; ///< a RIFF size has 32 bits; some room for the header

    /// @param rf64_from_bytes lower only in tests.
    /// Throws bad_input (extension, bits that the container can't hold) and io_failed (folder missing or not
    /// writable).
    AudioWriter(const std::filesystem::path& path, const AudioFormat& format,
                std::int64_t rf64_from_bytes = kRf64FromBytes);
    ~AudioWriter();
    AudioWriter(AudioWriter&&) noexcept;
    AudioWriter& operator=(AudioWriter&&) noexcept;

    /// planes[0..channels) with `frames` samples each. Throws io_failed (disk full, …).
    void write(const float* const* planes, std::size_t frames);

    /// Writes what is still to be written; no more write(). The file has no name yet. Throws io_failed.
    void close();

    /// Of the whole closed file, in hex; closes it if need be. Throws io_failed.
    [[nodiscard]] std::string xxh128();

    /// Closes if need be, and renames. Throws io_failed; then nothing is left under the final name that was
    /// not there before.
    void commit();

    [[nodiscard]] std::uint64_t
    clipped() const noexcept; ///< samples beyond full scale, written at full scale

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
