#include "offline/audio/growing_wav.h"
#include "offline/audio/broadcast.h"
#include "offline/audio/pcm.h"
#include "offline/util/errors.h"
#include <cerrno>
#include <cstring>
#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

void put(std::string& out, std::uint64_t value, int bytes) {
    for (int n = 0; n < bytes; ++n) out += static_cast<char>(value >> 8 * n);
}

/// Name, size and what is in it.
void put_chunk(std::string& out, std::string_view name, const std::string& content) {
    out += name;
    put(out, content.size(), 4);
    out += content;
}

} // namespace

struct GrowingWav::Impl {
    std::filesystem::path path;
    AudioFormat format;
    std::int64_t rf64_from_bytes;
    int fd = -1;
    std::int64_t written = 0, begin = 0; ///< frames; where the sound begins
    std::vector<Quantiser> quantisers;   ///< one per channel; empty for float
    std::vector<std::int32_t> integers;
    std::vector<float> floats;
    std::vector<unsigned char> packed;

    Impl(std::filesystem::path name, const AudioFormat& wanted, std::int64_t rf64_from)
        : path(std::move(name)), format(wanted), rf64_from_bytes(rf64_from) {
        fd = ::open(path.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (fd < 0 && errno == EEXIST)
            throw bad_input(path.string() + " is there already; nothing was written");
        if (fd < 0) fail(errno);
        for (int c = 0; format.bits == 24 && c < format.channels; ++c)
            quantisers.emplace_back(24, format.dither, static_cast<std::uint32_t>(c + 1));
        begin = static_cast<std::int64_t>(header().size());
        put_at(0, header());
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;
    ~Impl() {
        if (fd >= 0) ::close(fd);
    }

    [[noreturn]] void fail(int number) const {
        throw io_failed(fmt::format("{}: can't be written: {}", path.string(), std::strerror(number)));
    }

    [[nodiscard]] std::int64_t frame_bytes() const {
        return std::int64_t{format.channels} * (format.bits / 8);
    }

    /// EBU Tech 3285 and 3306; the same length whatever it says.
    [[nodiscard]] std::string header() const {
        const std::int64_t sound = written * frame_bytes();
        std::string rest = "WAVE", lengths, form;
        const bool large = begin + sound >= rf64_from_bytes;
        put(lengths, large ? static_cast<std::uint64_t>(begin - 8 + sound) : 0, 8);
        put(lengths, large ? static_cast<std::uint64_t>(sound) : 0, 8);
        put(lengths, large ? static_cast<std::uint64_t>(written) : 0, 8);
        put(lengths, 0, 4); // no table of other chunks
        put_chunk(rest, large ? "ds64" : "JUNK", lengths);
        if (format.broadcast) put_chunk(rest, "bext", broadcast_chunk(*format.broadcast));
        put(form, format.bits == 32 ? 3 : 1, 2); // IEEE float, PCM
        put(form, static_cast<std::uint64_t>(format.channels), 2);
        put(form, static_cast<std::uint64_t>(format.rate_hz), 4);
        put(form, static_cast<std::uint64_t>(format.rate_hz * frame_bytes()), 4);
        put(form, static_cast<std::uint64_t>(frame_bytes()), 2);
        put(form, static_cast<std::uint64_t>(format.bits), 2);
        put_chunk(rest, "fmt ", form);
        std::string count;
        put(count, large ? 0xffff'ffff : static_cast<std::uint64_t>(written), 4);
        if (format.bits == 32) put_chunk(rest, "fact", count);
        rest += "data";
        put(rest, large ? 0xffff'ffff : static_cast<std::uint64_t>(sound), 4);
        std::string out = large ? "RF64" : "RIFF";
        put(out, large ? 0xffff'ffff : rest.size() + static_cast<std::uint64_t>(sound + sound % 2), 4);
        return out + rest;
    }

    void put_at(std::int64_t at, std::string_view bytes) const {
        while (!bytes.empty()) {
            const ssize_t put = ::pwrite(fd, bytes.data(), bytes.size(), at);
            if (put < 0 && errno == EINTR) continue;
            if (put <= 0) fail(put < 0 ? errno : ENOSPC);
            bytes.remove_prefix(static_cast<std::size_t>(put)), at += put;
        }
    }

    [[nodiscard]] std::string_view bytes_of_floats(const float* const* planes, std::size_t frames) {
        const auto width = static_cast<std::size_t>(format.channels);
        if (width == 1) return {reinterpret_cast<const char*>(planes[0]), frames * sizeof(float)};
        floats.resize(frames * width);
        for (std::size_t c = 0; c < width; ++c)
            for (std::size_t n = 0; n < frames; ++n) floats[n * width + c] = planes[c][n];
        return {reinterpret_cast<const char*>(floats.data()), floats.size() * sizeof(float)};
    }

    [[nodiscard]] std::string_view bytes_of_integers(const float* const* planes, std::size_t frames) {
        const auto width = static_cast<std::size_t>(format.channels);
        integers.resize(frames * width);
        packed.resize(integers.size() * bytes_of(Pcm::int24));
        for (std::size_t c = 0; c < width; ++c)
            quantisers[c].process(planes[c], integers.data() + c, width, frames);
        pack(Pcm::int24, integers.data(), packed.data(), integers.size());
        return {reinterpret_cast<const char*>(packed.data()), packed.size()};
    }
};

GrowingWav::GrowingWav(const std::filesystem::path& path, const AudioFormat& format,
                       std::int64_t rf64_from_bytes)
    : impl_(std::make_unique<Impl>(path, format, rf64_from_bytes)) {}
GrowingWav::~GrowingWav() = default;
GrowingWav::GrowingWav(GrowingWav&&) noexcept = default;
GrowingWav& GrowingWav::operator=(GrowingWav&&) noexcept = default;

void GrowingWav::write(const float* const* planes, std::size_t frames) {
    const auto bytes = impl_->quantisers.empty() ? impl_->bytes_of_floats(planes, frames)
                                                 : impl_->bytes_of_integers(planes, frames);
    impl_->put_at(impl_->begin + impl_->written * impl_->frame_bytes(), bytes);
    impl_->written += static_cast<std::int64_t>(frames);
}

void GrowingWav::update() { impl_->put_at(0, impl_->header()); }

void GrowingWav::close() {
    if (const auto sound = impl_->written * impl_->frame_bytes(); sound % 2 != 0)
        impl_->put_at(impl_->begin + sound, std::string_view("\0", 1)); // chunks end even
    update();
}

} // namespace kitfold::offline
