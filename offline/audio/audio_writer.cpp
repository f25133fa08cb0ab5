#include "offline/audio/audio_file.h"
#include "offline/audio/broadcast.h"
#include "offline/audio/pcm.h"
#include "offline/audio/sound_file.h"
#include "offline/util/atomic_file.h"
#include "offline/util/digest.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <cctype>
#include <cerrno>
#include <cstring>
#include <fmt/format.h>
#include <optional>
#include <unistd.h>
#include <utility>
#include <vector>

namespace kitfold::offline {
namespace {

/// A file being written, as libsndfile's virtual I/O sees it. Remembers the first error, and the sum of what
/// was written in order.
struct Sink {
    int fd = -1;
    int error = 0;
    std::int64_t at = 0, end = 0; ///< where the next byte goes; how long the file is
    bool summing = false;
    std::int64_t summed = 0; ///< bytes from the start
    std::vector<char> head;  ///< the first of them, the header
    Xxh128 sum;

    std::int64_t write(const void* from, std::int64_t count) noexcept {
        std::int64_t done = 0;
        while (done < count) {
            const ssize_t put =
                ::write(fd, static_cast<const char*>(from) + done, static_cast<std::size_t>(count - done));
            if (put < 0 && errno == EINTR) continue;
            if (put <= 0) {
                if (error == 0) error = put < 0 ? errno : ENOSPC;
                break;
            }
            done += put;
        }
        note(static_cast<const char*>(from), done);
        return done;
    }

    /// A header that is written again must be the one that was summed.
    void note(const char* from, std::int64_t count) {
        if (summing && at == summed)
            sum.add(from, static_cast<std::size_t>(count)), summed += count;
        else if (summing)
            summing = at + count <= static_cast<std::int64_t>(head.size()) &&
                      std::equal(from, from + count, head.begin() + at);
        at += count, end = std::max(end, at);
    }

    /// From here on everything is summed; what is before this place, the header, too.
    void start_sum() {
        summed = at;
        head.resize(static_cast<std::size_t>(summed));
        summing = ::pread(fd, head.data(), head.size(), 0) == summed;
        sum.add(head.data(), head.size());
    }
};

Sink& sink(void* user) { return *static_cast<Sink*>(user); }
sf_count_t sink_length(void* user) { return sink(user).end; }
sf_count_t sink_seek(sf_count_t offset, int whence, void* user) {
    return sink(user).at = ::lseek(sink(user).fd, offset, whence);
}
sf_count_t sink_read(void* to, sf_count_t count, void* user) {
    const ssize_t got = ::read(sink(user).fd, to, static_cast<std::size_t>(count));
    sink(user).at += std::max<ssize_t>(got, 0);
    return got;
}
sf_count_t sink_write(const void* from, sf_count_t count, void* user) {
    return sink(user).write(from, count);
}
sf_count_t sink_tell(void* user) { return sink(user).at; }

int sndfile_format(Container container, const AudioFormat& format, std::int64_t rf64_from_bytes) {
    const int kind = format.bits == 16   ? SF_FORMAT_PCM_16
                     : format.bits == 24 ? SF_FORMAT_PCM_24
                                         : SF_FORMAT_FLOAT;
    if (container == Container::flac) return SF_FORMAT_FLAC | kind;
    const std::int64_t bytes = format.frames * format.channels * (format.bits / 8);
    return kind | (bytes >= rf64_from_bytes ? SF_FORMAT_RF64 : SF_FORMAT_WAV);
}

} // namespace

Container container_for(const std::filesystem::path& path) {
    std::string extension = path.extension().string();
    std::transform(extension.begin(), extension.end(), extension.begin(),
                   [](unsigned char c) { return std::tolower(c); });
    if (extension == ".wav") return Container::wav;
    if (extension == ".flac") return Container::flac;
    throw bad_input(fmt::format("{}: the name must end in .wav or .flac", path.string()));
}

struct AudioWriter::Impl {
    AudioFormat format;
    AtomicFile pending;
    Sink target;
    SoundFile file;
    std::vector<Quantiser> quantisers; ///< one per channel; empty for float
    std::vector<float> interleaved_float;
    std::vector<std::int32_t> interleaved_int;
    std::vector<unsigned char> packed;
    std::optional<Pcm> raw;   ///< the file takes packed samples as they are
    std::int64_t written = 0; ///< frames

    Impl(const std::filesystem::path& path, const AudioFormat& wanted, std::int64_t rf64_from_bytes)
        : format(wanted), pending(path) {
        target.fd = pending.descriptor();
        SF_INFO sf{};
        sf.samplerate = format.rate_hz;
        sf.channels = format.channels;
        sf.format = sndfile_format(container_for(path), format, rf64_from_bytes);
        SF_VIRTUAL_IO io{sink_length, sink_seek, sink_read, sink_write, sink_tell};
        file.reset(sf_open_virtual(&io, SFM_WRITE, &sf, &target));
        if (file == nullptr)
            throw bad_input(fmt::format("{}: {}", pending.path().string(), sf_strerror(nullptr)));
        sf_command(file.get(), SFC_SET_ADD_PEAK_CHUNK, nullptr, SF_FALSE); // it carries the time of day
        require(sf_set_string(file.get(), SF_STR_COMMENT, blank_seal(format.product).c_str()) == 0);
        if (format.broadcast && container_for(path) == Container::wav)
            set_broadcast(file.get(), *format.broadcast);
        if (format.bits < 32 && container_for(path) == Container::wav)
            raw = format.bits == 16 ? Pcm::int16 : Pcm::int24;
        if (raw && format.frames > 0) promise();
        if (format.bits < 32)
            for (int n = 0; n < format.channels; ++n)
                quantisers.emplace_back(format.bits, format.dither, static_cast<std::uint32_t>(n + 1));
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;

    [[nodiscard]] std::int64_t frame_bytes() const {
        return static_cast<std::int64_t>(bytes_of(*raw)) * format.channels;
    }

    /// Takes the room on the disk, and writes the last frame and so the header as it is going to be: the file
    /// can be summed while it is written.
    void promise() {
        sf_command(file.get(), SFC_UPDATE_HEADER_NOW, nullptr, 0); // says where sound begins
        pending.reserve(target.end + format.frames * frame_bytes());
        const std::vector<unsigned char> silence(static_cast<std::size_t>(frame_bytes()));
        require(sf_seek(file.get(), format.frames - 1, SEEK_SET) == format.frames - 1 &&
                sf_write_raw(file.get(), silence.data(), frame_bytes()) == frame_bytes());
        sf_command(file.get(), SFC_UPDATE_HEADER_NOW, nullptr, 0);
        require(sf_seek(file.get(), 0, SEEK_SET) == 0);
        target.start_sum();
    }

    /// The file tells what is there, not what was to come.
    void keep_promise() {
        if (!raw || written >= format.frames) return;
        target.summing = false;
        sf_count_t there = written;
        // the library's own count of the frames
        sf_command(file.get(), SFC_FILE_TRUNCATE, &there, sizeof there);
        target.end = static_cast<std::int64_t>(target.head.size()) + written * frame_bytes();
        require(::ftruncate(target.fd, target.end) == 0);
    }

    [[nodiscard]] std::string sum_again() const {
        Xxh128 sum;
        std::vector<char> block(std::size_t{1} << 18);
        for (off_t at = 0;;) {
            const ssize_t got = ::pread(target.fd, block.data(), block.size(), at);
            if (got < 0)
                throw io_failed(fmt::format("{}: can't be read again: {}", pending.path().string(),
                                            std::strerror(errno)));
            if (got == 0) return sum.hex();
            sum.add(block.data(), static_cast<std::size_t>(got));
            at += got;
        }
    }

    void require(bool ok) const {
        if (ok && target.error == 0) return;
        const std::string why = target.error != 0 ? std::strerror(target.error) : sf_strerror(file.get());
        throw io_failed(fmt::format("{}: can't be written: {}", pending.path().string(), why));
    }

    sf_count_t write_float(const float* const* planes, std::size_t frames) {
        const std::size_t width = static_cast<std::size_t>(format.channels);
        interleaved_float.resize(std::max(interleaved_float.size(), frames * width));
        for (std::size_t c = 0; c < width; ++c)
            for (std::size_t n = 0; n < frames; ++n) interleaved_float[n * width + c] = planes[c][n];
        return sf_writef_float(file.get(), interleaved_float.data(), static_cast<sf_count_t>(frames));
    }

    sf_count_t write_int(const float* const* planes, std::size_t frames) {
        const std::size_t width = static_cast<std::size_t>(format.channels);
        const std::size_t count = frames * width;
        interleaved_int.resize(std::max(interleaved_int.size(), count));
        for (std::size_t c = 0; c < width; ++c)
            quantisers[c].process(planes[c], interleaved_int.data() + c, width, frames);
        if (raw) {
            packed.resize(std::max(packed.size(), count * bytes_of(*raw)));
            pack(*raw, interleaved_int.data(), packed.data(), count);
            const auto bytes = static_cast<sf_count_t>(count * bytes_of(*raw));
            return sf_write_raw(file.get(), packed.data(), bytes) == bytes ? static_cast<sf_count_t>(frames)
                                                                           : 0;
        }
        for (std::size_t n = 0; n < count; ++n)
            interleaved_int[n] <<= 32 - format.bits; // the upper bits count
        return sf_writef_int(file.get(), interleaved_int.data(), static_cast<sf_count_t>(frames));
    }
};

AudioWriter::AudioWriter(const std::filesystem::path& path, const AudioFormat& format,
                         std::int64_t rf64_from_bytes) {
    const Container container = container_for(path);
    const bool possible =
        format.bits == 16 || format.bits == 24 || (format.bits == 32 && container == Container::wav);
    if (!possible)
        throw bad_input(fmt::format("{}: {} bits do not fit in it; {} would be right", path.string(),
                                    format.bits, container == Container::wav ? "16, 24 or 32" : "16 or 24"));
    impl_ = std::make_unique<Impl>(path, format, rf64_from_bytes);
}
AudioWriter::~AudioWriter() = default;
AudioWriter::AudioWriter(AudioWriter&&) noexcept = default;
AudioWriter& AudioWriter::operator=(AudioWriter&&) noexcept = default;

void AudioWriter::write(const float* const* planes, std::size_t frames) {
    const sf_count_t put =
        impl_->quantisers.empty() ? impl_->write_float(planes, frames) : impl_->write_int(planes, frames);
    impl_->require(put == static_cast<sf_count_t>(frames));
    impl_->written += put;
}

void AudioWriter::close() {
    if (impl_->file == nullptr) return;
    impl_->keep_promise();
    const int closed = sf_close(impl_->file.release());
    impl_->require(closed == 0);
    // when the file became another than was promised, it is read again
    const auto sum = impl_->target.summing ? impl_->target.sum.hex() : impl_->sum_again();
    seal_file(impl_->target.fd, impl_->pending.path(), impl_->format.product, sum);
}

std::string AudioWriter::xxh128() {
    close();
    return impl_->sum_again(); // the seal has changed it
}

void AudioWriter::commit() {
    close();
    impl_->pending.commit(Survives::our_end); // to wait for the disk takes as long as to make it again
}

std::uint64_t AudioWriter::clipped() const noexcept {
    std::uint64_t sum = 0;
    for (const Quantiser& quantiser : impl_->quantisers) sum += quantiser.clipped();
    return sum;
}

} // namespace kitfold::offline
