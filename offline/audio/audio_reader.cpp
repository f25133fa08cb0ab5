#include "core/units.h"
#include "offline/audio/audio_file.h"
#include "offline/audio/broadcast.h"
#include "offline/audio/pcm.h"
#include "offline/audio/sound_file.h"
#include "offline/util/digest.h"
#include "offline/util/errors.h"
#include "offline/util/input_file.h"
#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <fmt/format.h>
#include <numeric>
#include <sys/stat.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

/// A file being read, as libsndfile's virtual I/O sees it. Keeps the sum of the bytes that go by in order.
class Source {
public:
    explicit Source(const std::filesystem::path& path)
        : name_(path.string()), fd_(open_input(path, "an audio file")) {
        struct stat status {};
        if (::fstat(fd_, &status) == 0) size_ = status.st_size;
    }
    Source(const Source&) = delete;
    Source& operator=(const Source&) = delete;
    ~Source() { ::close(fd_); }

    [[nodiscard]] const std::string& name() const noexcept { return name_; }
    [[nodiscard]] std::int64_t size() const noexcept { return size_; }

    std::int64_t read(void* to, std::int64_t count) {
        const std::int64_t got = read_at(to, count, at_);
        if (summing_ && at_ <= summed_ && summed_ < at_ + got) {
            const std::int64_t skip = summed_ - at_;
            sum_.add(static_cast<const char*>(to) + skip, static_cast<std::size_t>(got - skip));
            summed_ = at_ + got;
        }
        at_ += got;
        return got;
    }

    std::int64_t read_at(void* to, std::int64_t count, std::int64_t at) noexcept {
        std::int64_t done = 0;
        while (done < count) {
            const ssize_t got = ::pread(fd_, static_cast<char*>(to) + done,
                                        static_cast<std::size_t>(count - done), at + done);
            if (got < 0 && errno == EINTR) continue;
            if (got < 0) error_ = errno;
            if (got <= 0) break;
            done += got;
        }
        return done;
    }

    std::int64_t seek(std::int64_t offset, int whence) noexcept {
        at_ = whence == SEEK_SET ? offset : whence == SEEK_CUR ? at_ + offset : size_ + offset;
        return at_;
    }
    [[nodiscard]] std::int64_t tell() const noexcept { return at_; }

    void throw_if_failed() const {
        if (error_ != 0) throw io_failed(fmt::format("{}: can't be read: {}", name_, std::strerror(error_)));
    }

    /// From here on read() also sums. What went by already, the header, is read again.
    void start_sum() {
        const std::int64_t end = at_;
        summing_ = true;
        sum_up_to(end);
        at_ = end;
    }

    std::string sum() {
        if (hex_.empty()) {
            const std::int64_t back = at_;
            summing_ = true;
            sum_up_to(size_);
            at_ = back;
            hex_ = sum_.hex();
            summing_ = false;
        }
        return hex_;
    }

private:
    void sum_up_to(std::int64_t end) {
        std::vector<char> block(std::size_t{1} << 18);
        const auto size = static_cast<std::int64_t>(block.size());
        for (at_ = summed_; at_ < end && read(block.data(), std::min(size, end - at_)) > 0;) {
        }
        throw_if_failed();
    }

    std::string name_;
    int fd_ = -1;
    bool summing_ = false;
    int error_ = 0;
    std::int64_t size_ = 0, at_ = 0, summed_ = 0;
    Xxh128 sum_;
    std::string hex_;
};

sf_count_t source_length(void* user) { return static_cast<Source*>(user)->size(); }
sf_count_t source_seek(sf_count_t offset, int whence, void* user) {
    return static_cast<Source*>(user)->seek(offset, whence);
}
sf_count_t source_read(void* to, sf_count_t count, void* user) {
    return static_cast<Source*>(user)->read(to, count);
}
sf_count_t source_write(const void*, sf_count_t, void*) { return 0; }
sf_count_t source_tell(void* user) { return static_cast<Source*>(user)->tell(); }

std::uint64_t number(const unsigned char* from, int bytes, bool big_endian) {
    std::uint64_t value = 0;
    for (int n = 0; n < bytes; ++n) value = value << 8 | from[big_endian ? n : bytes - 1 - n];
    return value;
}

/// Whether nothing but zeros follows, as far as a look goes.
bool only_zeros(Source& source, std::uint64_t at) {
    std::vector<char> block(std::size_t{1} << 16);
    const auto got = source.read_at(block.data(), std::ssize(block), static_cast<std::int64_t>(at));
    return std::all_of(block.begin(), block.begin() + got, [](char byte) { return byte == 0; });
}

/// Refuses a WAV, RF64 or AIFF file whose sample chunk promises more bytes than the file has: libsndfile
/// would read what is there without a word. Sizes of all ones mean "not known" and pass. Refuses too what
/// libsndfile would look through byte by byte: a header that is followed by zeros, as a crash leaves it, or
/// by chunks without end.
void refuse_cut_short_chunks(Source& source) {
    constexpr int kMostChunks = 10'000;
    unsigned char head[28]{};
    if (source.read_at(head, 12, 0) < 12) return;
    const auto is = [&](const char* id) { return std::memcmp(head, id, 4) == 0; };
    const bool big_endian = is("FORM");
    if (!big_endian && !is("RIFF") && !is("RF64")) return;
    std::uint64_t data_size = 0xffff'ffffu;
    const auto file_size = static_cast<std::uint64_t>(source.size());
    int chunks = 0;
    for (std::uint64_t at = 12; at + 8 <= file_size; ++chunks) {
        const std::int64_t got = source.read_at(head, sizeof head, static_cast<std::int64_t>(at));
        std::uint64_t size = number(head + 4, 4, big_endian);
        if (is("\0\0\0\0") && !only_zeros(source, at)) return;
        if (is("\0\0\0\0") || chunks == kMostChunks)
            throw bad_input(
                fmt::format("{}: has a header, but no sound where its sound should be; the recorder "
                            "did not finish it: copy it again from where it was recorded",
                            source.name()));
        if (is("ds64") && got >= 24) data_size = number(head + 16, 8, false);
        if (is("data") || is("SSND")) {
            if (size == 0xffff'ffffu) size = data_size;
            const std::uint64_t held = file_size - at - 8;
            if (size == 0xffff'ffffu || size <= held) return;
            throw bad_input(
                fmt::format("{}: is cut short: its header promises {} bytes of sound, the file has {}; "
                            "copy it again from where it was recorded",
                            source.name(), size, held));
        }
        at += 8 + size + (size & 1);
    }
}

/// Refuses a FLAC file that is too short for the frames that it promises: each block of them takes 9 bytes at
/// least (RFC 9639, 9: a header of 6, a constant subframe of a byte and its sample, a checksum of 2; the
/// longest block stands in STREAMINFO, 8.2).
void refuse_cut_short_flac(Source& source) {
    unsigned char head[26]{};
    if (source.read_at(head, sizeof head, 0) < std::ssize(head) || std::memcmp(head, "fLaC", 4) != 0) return;
    const std::uint64_t longest = number(head + 10, 2, true);
    const std::uint64_t frames = number(head + 21, 5, true) & 0xf'ffff'ffffu; // 0: not known
    const auto held = static_cast<std::uint64_t>(source.size());
    if (frames == 0 || longest == 0 || frames / longest <= held / 9) return;
    throw bad_input(
        fmt::format("{}: is cut short: its header promises {} samples, the file has {} bytes; copy it "
                    "again from where it was recorded",
                    source.name(), frames, held));
}

std::string format_name(int format) {
    const int kind = format & SF_FORMAT_SUBMASK;
    const std::string container = (format & SF_FORMAT_TYPEMASK) == SF_FORMAT_AIFF   ? "AIFF"
                                  : (format & SF_FORMAT_TYPEMASK) == SF_FORMAT_FLAC ? "FLAC"
                                  : (format & SF_FORMAT_TYPEMASK) == SF_FORMAT_RF64 ? "RF64"
                                                                                    : "WAV";
    switch (kind) {
    case SF_FORMAT_PCM_S8:
    case SF_FORMAT_PCM_U8:
        return container + ", 8 bit";
    case SF_FORMAT_PCM_16:
        return container + ", 16 bit";
    case SF_FORMAT_PCM_24:
        return container + ", 24 bit";
    case SF_FORMAT_PCM_32:
        return container + ", 32 bit";
    case SF_FORMAT_FLOAT:
        return container + ", 32 bit float";
    case SF_FORMAT_DOUBLE:
        return container + ", 64 bit float";
    default:
        return container + ", compressed";
    }
}

bool is_ours(int format) {
    switch (format & SF_FORMAT_TYPEMASK) {
    case SF_FORMAT_WAV:
    case SF_FORMAT_WAVEX:
    case SF_FORMAT_RF64:
    case SF_FORMAT_AIFF:
    case SF_FORMAT_FLAC:
        return true;
    default:
        return false;
    }
}

/// The packed format that decode() handles, if the file is in one.
std::optional<Pcm> packed_format(int format) {
    const int type = format & SF_FORMAT_TYPEMASK, endian = format & SF_FORMAT_ENDMASK;
    if (type != SF_FORMAT_WAV && type != SF_FORMAT_WAVEX && type != SF_FORMAT_RF64) return std::nullopt;
    if (endian != SF_ENDIAN_FILE && endian != SF_ENDIAN_LITTLE) return std::nullopt;
    switch (format & SF_FORMAT_SUBMASK) {
    case SF_FORMAT_PCM_16:
        return Pcm::int16;
    case SF_FORMAT_PCM_24:
        return Pcm::int24;
    case SF_FORMAT_FLOAT:
        return Pcm::float32;
    default:
        return std::nullopt;
    }
}

} // namespace

struct AudioReader::Impl {
    Source source;
    SoundFile file;
    AudioInfo info;
    std::vector<std::size_t> channels; ///< 0-based
    std::optional<Pcm> packed;
    bool may_break = false; ///< the format can hold NaN
    std::int64_t first = 0; ///< of the part that is kept
    std::int64_t at = 0;    ///< in it
    std::uint64_t non_finite = 0;
    std::vector<unsigned char> bytes;
    std::vector<float> interleaved;

    explicit Impl(const std::filesystem::path& path) : source(path) { open(); }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;

    void open() {
        if (source.size() == 0) throw bad_input(source.name() + ": is empty; record or copy it again");
        refuse_cut_short_chunks(source);
        refuse_cut_short_flac(source);
        SF_VIRTUAL_IO io{source_length, source_seek, source_read, source_write, source_tell};
        SF_INFO sf{};
        file.reset(sf_open_virtual(&io, SFM_READ, &sf, &source));
        if (file == nullptr || !is_ours(sf.format)) {
            source.throw_if_failed();
            refuse(": is not audio that can be read here; WAV, RF64, AIFF or FLAC would be right");
        }
        info = {sf.samplerate, sf.channels, sf.frames, format_name(sf.format), broadcast_of(file.get())};
        if (info.frames == SF_COUNT_MAX) info.frames = counted_frames(); // a stream, whose end was not known
        packed = packed_format(sf.format);
        const int kind = sf.format & SF_FORMAT_SUBMASK;
        may_break = kind == SF_FORMAT_FLOAT || kind == SF_FORMAT_DOUBLE;
        if (info.frames <= 0) refuse(": has no samples in it; record or copy it again");
        if (info.rate_hz < 8'000 || info.rate_hz > 384'000)
            refuse(fmt::format(": has a rate of {} Hz; 8000 to 384000 would be right", info.rate_hz));
    }

    std::int64_t counted_frames() {
        std::vector<float> block(std::size_t{1} << 16);
        const auto at_once = static_cast<sf_count_t>(block.size()) / info.channels;
        std::int64_t frames = 0;
        for (sf_count_t got = at_once; got == at_once; frames += got)
            got = std::max<sf_count_t>(sf_readf_float(file.get(), block.data(), at_once), 0);
        source.throw_if_failed();
        if (sf_error(file.get()) != SF_ERR_NO_ERROR || (frames > 0 && sf_seek(file.get(), 0, SEEK_SET) != 0))
            refuse(fmt::format(": can't be decoded after {:.3f} s; copy it again from where it was recorded",
                               double(frames) / info.rate_hz));
        return frames;
    }

    void refuse(const std::string& why) { throw bad_input(source.name() + why); }

    void choose(const std::vector<int>& wanted) {
        for (const int channel : wanted) {
            if (channel < 1 || channel > info.channels)
                throw bad_input(fmt::format(
                    "{}: channel {} is asked for, the file has {}", source.name(), channel,
                    info.channels == 1 ? std::string("only 1") : "1 to " + std::to_string(info.channels)));
            channels.push_back(static_cast<std::size_t>(channel - 1));
        }
        if (wanted.empty()) {
            channels.resize(static_cast<std::size_t>(info.channels));
            std::iota(channels.begin(), channels.end(), std::size_t{0});
        }
    }

    [[noreturn]] void refuse_too_large(const float* samples, std::size_t count) const {
        const auto* largest = std::max_element(samples, samples + count,
                                               [](float a, float b) { return std::fabs(a) < std::fabs(b); });
        throw bad_input(fmt::format(
            "{}: has a sample of {:+.0f} dBFS at {:.3f} s, which is no sound; full scale is 1 in a file of "
            "floats: write it again, or take that mic out",
            source.name(), dsp::db_from_gain(std::fabs(double(*largest))),
            double(at + (largest - samples)) / info.rate_hz));
    }

    std::size_t read_packed(float* const* planes, std::size_t frames) {
        const auto width = static_cast<std::size_t>(info.channels);
        const std::size_t frame_bytes = width * bytes_of(*packed);
        bytes.resize(std::max(bytes.size(), frames * frame_bytes));
        const auto got = sf_read_raw(file.get(), bytes.data(), static_cast<sf_count_t>(frames * frame_bytes));
        const std::size_t whole = static_cast<std::size_t>(std::max<sf_count_t>(got, 0)) / frame_bytes;
        for (std::size_t p = 0; p < channels.size(); ++p)
            decode(*packed, bytes.data(), width, channels[p], planes[p], whole);
        return whole;
    }

    std::size_t read_decoded(float* const* planes, std::size_t frames) {
        const auto width = static_cast<std::size_t>(info.channels);
        interleaved.resize(std::max(interleaved.size(), frames * width));
        const auto got = static_cast<std::size_t>(std::max<sf_count_t>(
            sf_readf_float(file.get(), interleaved.data(), static_cast<sf_count_t>(frames)), 0));
        for (std::size_t p = 0; p < channels.size(); ++p)
            for (std::size_t n = 0; n < got; ++n) planes[p][n] = interleaved[n * width + channels[p]];
        return got;
    }
};

AudioReader::AudioReader(const std::filesystem::path& path, std::vector<int> channels)
    : impl_(std::make_unique<Impl>(path)) {
    impl_->choose(channels);
}
AudioReader::~AudioReader() = default;
AudioReader::AudioReader(AudioReader&&) noexcept = default;
AudioReader& AudioReader::operator=(AudioReader&&) noexcept = default;

const AudioInfo& AudioReader::info() const noexcept { return impl_->info; }
std::size_t AudioReader::planes() const noexcept { return impl_->channels.size(); }
std::uint64_t AudioReader::non_finite() const noexcept { return impl_->non_finite; }
void AudioReader::start_digest() { impl_->source.start_sum(); }
std::string AudioReader::xxh128() { return impl_->source.sum(); }

std::size_t AudioReader::read(float* const* planes, std::size_t frames) {
    Impl& my = *impl_;
    const auto wanted = static_cast<std::size_t>(
        std::min<std::int64_t>(static_cast<std::int64_t>(frames), my.info.frames - my.at));
    if (wanted == 0) return 0;
    const std::size_t got = my.packed ? my.read_packed(planes, wanted) : my.read_decoded(planes, wanted);
    my.source.throw_if_failed();
    if (got < wanted)
        throw bad_input(fmt::format(
            "{}: breaks off at {:.3f} s of {:.3f} s; copy it again from where it was recorded",
            my.source.name(), double(my.first + my.at + static_cast<std::int64_t>(got)) / my.info.rate_hz,
            double(my.first + my.info.frames) / my.info.rate_hz));
    if (my.may_break)
        for (std::size_t p = 0; p < my.channels.size(); ++p) {
            const auto odd = clear_non_finite(planes[p], got);
            if (odd.too_large > 0) my.refuse_too_large(planes[p], got);
            my.non_finite += odd.not_finite;
        }
    my.at += static_cast<std::int64_t>(got);
    return got;
}

void AudioReader::keep(std::int64_t first, std::int64_t frames) {
    if (first < 0 || frames < 0 || first + frames > impl_->info.frames)
        throw bad_input(fmt::format("{}: there is no frame {}", impl_->source.name(), first + frames));
    impl_->first += first, impl_->info.frames = frames;
    seek(0);
}

void AudioReader::seek(std::int64_t frame) {
    const auto in_file = impl_->first + frame;
    if (frame < 0 || frame > impl_->info.frames || sf_seek(impl_->file.get(), in_file, SEEK_SET) != in_file)
        throw bad_input(fmt::format("{}: there is no frame {}", impl_->source.name(), frame));
    impl_->at = frame;
}

AudioClip read_channel(const std::filesystem::path& path, int channel) {
    AudioReader reader(path, {channel});
    AudioClip clip{reader.info().rate_hz, std::vector<float>(static_cast<std::size_t>(reader.info().frames))};
    float* const plane = clip.samples.data();
    reader.read(&plane, clip.samples.size());
    return clip;
}

} // namespace kitfold::offline
