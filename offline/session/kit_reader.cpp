#include "offline/session/kit_reader.h"
#include "offline/audio/resampler.h"
#include "offline/session/one_take.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <map>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

/// One file and the mics that are in it.
struct File {
    AudioReader reader;
    std::vector<std::size_t> mics; ///< in the order of the reader's planes
    std::optional<Resampler> resampler;
    std::int64_t start = 0, frames = 0; ///< at the common rate
    std::vector<float*> planes;         ///< of the mics, while reading
};

} // namespace

struct KitReader::Impl {
    std::vector<std::unique_ptr<File>> files;
    std::vector<MicSource> sources;
    std::vector<std::string> names; ///< of the mics
    std::vector<std::string> notices;
    int rate_hz = 0;
    std::int64_t frames = 0, at = 0;
    bool digests = false;

    Impl(const Session& session, const KitReaderOptions& options)
        : notices(session.notices), digests(options.digests) {
        open(session);
        choose_rate(options.rate_hz);
        line_up();
        for (const auto& file : files) frames = std::max(frames, file->start + file->frames);
        if (!session.range.whole()) take_part(session.range);
        tell_lengths(session.range.whole() ? "the longest mic" : "the end of this part");
    }

    void open(const Session& session) {
        std::map<fs::path, std::vector<std::size_t>> by_file;
        std::vector<fs::path> order;
        for (std::size_t m = 0; m < session.mics.size(); ++m) {
            const fs::path path = audio_path(session, session.mics[m]).lexically_normal();
            if (!by_file.contains(path)) order.push_back(path);
            by_file[path].push_back(m);
            names.push_back(session.mics[m].name);
        }
        sources.resize(session.mics.size());
        for (const fs::path& path : order) {
            std::vector<int> channels;
            for (const std::size_t m : by_file[path]) channels.push_back(session.mics[m].channel);
            AudioReader reader(path, channels);
            if (digests) reader.start_digest();
            for (const std::size_t m : by_file[path]) sources[m] = {path, reader.info(), 0.0, {}, 0};
            files.push_back(std::make_unique<File>(File{std::move(reader), by_file[path], {}, 0, 0, {}}));
        }
    }

    const MicSource& source(const File& file) const { return sources[file.mics.front()]; }

    void choose_rate(std::optional<int> wanted) {
        if (wanted && (*wanted < 8'000 || *wanted > 384'000))
            throw bad_input(fmt::format("--rate {}: 8000 to 384000 Hz would be right", *wanted));
        rate_hz = wanted.value_or(source(*files.front()).info.rate_hz);
        for (const auto& file : files) {
            const AudioInfo& info = file->reader.info();
            if (info.rate_hz != rate_hz && !wanted)
                throw bad_input(
                    fmt::format("{}: is at {} Hz, but {} is at {} Hz; --rate {} converts them to one rate",
                                source(*file).file.string(), info.rate_hz,
                                source(*files.front()).file.string(), rate_hz, rate_hz));
            file->frames = info.rate_hz == rate_hz
                               ? info.frames
                               : std::llround(double(info.frames) * rate_hz / info.rate_hz);
            if (info.rate_hz == rate_hz) continue;
            AudioReader& reader = file->reader;
            file->resampler.emplace(
                info.rate_hz, rate_hz, file->mics.size(),
                [&reader](float* const* planes, std::size_t count) { return reader.read(planes, count); });
        }
    }

    /// The first sample of a BWF file says when it was recorded.
    void line_up() {
        const auto dated = [](const auto& file) { return file->reader.info().broadcast.has_value(); };
        const bool any_dated = std::any_of(files.begin(), files.end(), dated);
        std::vector<PlacedFile> placed;
        for (const auto& file : files) placed.push_back({source(*file).file, &file->reader.info()});
        const auto starts = starts_in_one_take(placed);
        for (std::size_t f = 0; f < files.size(); ++f) {
            const auto& file = files[f];
            file->start = std::llround(starts[f] * rate_hz);
            for (const std::size_t m : file->mics) {
                sources[m].start_s = double(file->start) / rate_hz;
                if (any_dated && !dated(file))
                    notices.push_back(fmt::format(
                        "{}: has no time reference, the others do; it starts with the earliest", names[m]));
                else if (file->start > 0)
                    notices.push_back(
                        fmt::format("{}: starts {:.3f} s after the earliest, by its time reference", names[m],
                                    sources[m].start_s));
            }
        }
    }

    /// A file of another rate is cut before it is converted.
    void take_part(const TakeRange& range) {
        const auto part = frames_of(range, rate_hz, frames);
        frames = part.end - part.first;
        for (const auto& file : files) {
            const auto kept = part_of_file(file->start, file->frames, part);
            const double own = double(file->reader.info().rate_hz) / rate_hz;
            const auto whole = file->reader.info().frames;
            const auto skip = std::min<std::int64_t>(std::llround(double(kept.skip) * own), whole);
            file->reader.keep(skip,
                              std::min<std::int64_t>(std::llround(double(kept.frames) * own), whole - skip));
            file->start = kept.start, file->frames = kept.frames;
        }
    }

    void tell_lengths(const char* end) {
        for (const auto& file : files)
            for (const std::size_t m : file->mics)
                if (const std::int64_t missing = frames - file->start - file->frames; missing > 0)
                    notices.push_back(fmt::format("{}: ends {:.3f} s before {}; silence follows", names[m],
                                                  double(missing) / rate_hz, end));
    }

    void read_file(File& file, float* const* planes, std::size_t count) {
        const auto clamp = [&](std::int64_t x) {
            return static_cast<std::size_t>(
                std::clamp<std::int64_t>(x - at, 0, static_cast<std::int64_t>(count)));
        };
        const std::size_t begin = clamp(file.start), end = clamp(file.start + file.frames);
        file.planes.clear();
        for (const std::size_t m : file.mics) file.planes.push_back(planes[m] + begin);
        std::size_t got = 0;
        if (end > begin)
            got = file.resampler ? file.resampler->read(file.planes.data(), end - begin)
                                 : file.reader.read(file.planes.data(), end - begin);
        for (const std::size_t m : file.mics) {
            std::fill(planes[m], planes[m] + begin, 0.0f);
            std::fill(planes[m] + begin + got, planes[m] + count, 0.0f);
        }
    }
};

KitReader::KitReader(const Session& session, const KitReaderOptions& options)
    : impl_(std::make_unique<Impl>(session, options)) {}
KitReader::~KitReader() = default;
KitReader::KitReader(KitReader&&) noexcept = default;
KitReader& KitReader::operator=(KitReader&&) noexcept = default;

int KitReader::rate_hz() const noexcept { return impl_->rate_hz; }
std::int64_t KitReader::frames() const noexcept { return impl_->frames; }
const std::vector<MicSource>& KitReader::sources() const noexcept { return impl_->sources; }
const std::vector<std::string>& KitReader::notices() const noexcept { return impl_->notices; }

void KitReader::read(float* const* planes, std::size_t frames) {
    for (const auto& file : impl_->files) impl_->read_file(*file, planes, frames);
    impl_->at += static_cast<std::int64_t>(frames);
}

void KitReader::finish() {
    for (const auto& file : impl_->files)
        for (const std::size_t m : file->mics) {
            if (impl_->digests) impl_->sources[m].xxh128 = file->reader.xxh128();
            impl_->sources[m].non_finite = file->reader.non_finite();
        }
}

} // namespace kitfold::offline
