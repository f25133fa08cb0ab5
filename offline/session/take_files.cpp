#include "offline/session/take_files.h"
#include "offline/audio/true_peak.h"
#include "offline/session/one_take.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <atomic>
#include <cmath>
#include <exception>
#include <fmt/format.h>
#include <map>
#include <mutex>
#include <thread>

namespace kitfold::offline {
namespace {

constexpr std::size_t kBlock = 16'384;

/// Mics that are read in one go: those of one file, or a part of them.
struct Unit {
    std::filesystem::path file;
    std::vector<std::size_t> mics;
};

} // namespace

struct TakeFiles::Impl {
    struct Mic {
        std::unique_ptr<AudioReader> reader; // of excerpts; one channel
        FilePart part;                       // of the file in the take
        bool at_rate = true;
        std::mutex mutex;
    };

    const Session& session;
    dsp::Take take;
    std::vector<std::unique_ptr<Mic>> mics;
    std::vector<dsp::MicFile> files;
    std::vector<AudioInfo> infos;
    std::vector<std::string> notices = session.notices;
    std::mutex failure_mutex;
    std::exception_ptr failure;

    explicit Impl(const Session& s) : session(s) {
        for (const auto& m : session.mics) {
            auto& mic = *mics.emplace_back(std::make_unique<Mic>());
            mic.reader = std::make_unique<AudioReader>(audio_path(session, m), std::vector{m.channel});
            infos.push_back(mic.reader->info());
            files.push_back({double(infos.back().rate_hz), infos.back().frames});
            take.mics.push_back({m.name, m.role, m.mix.level_db, m.mix.polarity == dsp::Polarity::inverted,
                                 m.mix.delay_ms, m.mix.pan});
        }
        choose_rate();
        line_up();
        for (std::size_t m = 0; m < mics.size(); ++m)
            if (mics[m]->at_rate) take.length = std::max(take.length, mics[m]->part.start + files[m].samples);
        if (!session.range.whole()) take_part();
        take.read = [this](std::size_t m, std::int64_t from, std::span<float> out) { read(m, from, out); };
    }

    void choose_rate() {
        std::map<int, std::size_t> count;
        for (const auto& info : infos) ++count[info.rate_hz];
        const auto most = std::max_element(count.begin(), count.end(),
                                           [](const auto& a, const auto& b) { return a.second < b.second; });
        take.rate_hz = most->first;
        if (take.rate_hz < 8'000.0 || take.rate_hz > 384'000.0)
            throw bad_input(fmt::format("{}: is at {} Hz; 8000 to 384000 Hz would be right",
                                        audio_path(session, session.mics.front()).string(), most->first));
        for (std::size_t m = 0; m < mics.size(); ++m) mics[m]->at_rate = infos[m].rate_hz == most->first;
    }

    void line_up() {
        std::vector<PlacedFile> placed;
        for (std::size_t m = 0; m < mics.size(); ++m)
            placed.push_back({audio_path(session, session.mics[m]), &infos[m]});
        const auto starts = starts_in_one_take(placed);
        for (std::size_t m = 0; m < mics.size(); ++m) {
            mics[m]->part.start = std::llround(starts[m] * take.rate_hz);
            if (mics[m]->part.start > 0)
                notices.push_back(
                    fmt::format("{} starts {:.3f} s after the earliest mic, by its time reference.",
                                session.mics[m].name, double(mics[m]->part.start) / take.rate_hz));
        }
    }

    void take_part() {
        const auto range = frames_of(session.range, take.rate_hz, take.length);
        take.length = range.end - range.first;
        for (std::size_t m = 0; m < mics.size(); ++m) {
            if (!mics[m]->at_rate) continue;
            auto& part = mics[m]->part;
            part = part_of_file(part.start, files[m].samples, range);
            mics[m]->reader->keep(part.skip, part.frames);
            files[m].samples = part.frames;
        }
    }

    void read(std::size_t m, std::int64_t from, std::span<float> out) noexcept {
        std::fill(out.begin(), out.end(), 0.0f);
        auto& mic = *mics[m];
        if (!mic.at_rate) return;
        const auto begin = std::max<std::int64_t>(0, from - mic.part.start);
        const auto end = std::min<std::int64_t>(files[m].samples, from - mic.part.start + std::ssize(out));
        if (end <= begin) return;
        try {
            const std::lock_guard lock(mic.mutex);
            mic.reader->seek(begin);
            float* plane = out.data() + (begin + mic.part.start - from);
            mic.reader->read(&plane, std::size_t(end - begin));
        } catch (...) {
            const std::lock_guard lock(failure_mutex);
            if (!failure) failure = std::current_exception();
        }
    }

    [[nodiscard]] std::vector<Unit> units() const {
        std::map<std::filesystem::path, std::vector<std::size_t>> by_file;
        for (std::size_t m = 0; m < mics.size(); ++m)
            if (mics[m]->at_rate)
                by_file[audio_path(session, session.mics[m]).lexically_normal()].push_back(m);
        std::vector<Unit> all;
        for (auto& [file, members] : by_file) {
            const auto half =
                by_file.size() == 1 ? (members.size() + 1) / 2 : members.size(); // work for both threads
            for (std::size_t at = 0; at < members.size(); at += half)
                all.push_back({file,
                               {members.begin() + std::ptrdiff_t(at),
                                members.begin() + std::ptrdiff_t(std::min(members.size(), at + half))}});
        }
        return all;
    }
};

namespace {

/// One mic on its way through the first reading.
class Listener {
public:
    Listener(double rate_hz, double seconds, std::int64_t start, std::int64_t length)
        : meter_(rate_hz, seconds), scan_(rate_hz, seconds), peak_(int(rate_hz)), left_(length - start) {
        const std::vector<float> silence(kBlock, 0.0f);
        for (std::int64_t at = 0; at < start; at += std::ssize(silence)) {
            const auto part = std::span(silence).first(
                std::size_t(std::min<std::int64_t>(start - at, std::ssize(silence))));
            meter_.push(part), scan_.push(part);
        }
    }
    void push(std::span<const float> block) {
        meter_.push(block), scan_.push(block), peak_.push(block);
        left_ -= std::ssize(block);
    }
    FirstReading finish() {
        const std::vector<float> silence(kBlock, 0.0f);
        for (; left_ > 0; left_ -= std::ssize(silence))
            scan_.push(
                std::span(silence).first(std::size_t(std::min<std::int64_t>(left_, std::ssize(silence)))));
        FirstReading reading{meter_.finish(), scan_.finish(), peak_.peak()};
        reading.true_peak = std::max(reading.true_peak, double(reading.measure.peak()));
        return reading;
    }

private:
    dsp::MicMeter meter_;
    dsp::MicScan scan_;
    TruePeak peak_;
    std::int64_t left_;
};

} // namespace

TakeFiles::TakeFiles(const Session& session) : impl_(std::make_unique<Impl>(session)) {}
TakeFiles::~TakeFiles() = default;
const dsp::Take& TakeFiles::take() const noexcept { return impl_->take; }
const std::vector<dsp::MicFile>& TakeFiles::files() const noexcept { return impl_->files; }
bool TakeFiles::at_rate(std::size_t mic) const noexcept { return impl_->mics[mic]->at_rate; }
const std::vector<std::string>& TakeFiles::notices() const noexcept { return impl_->notices; }

void TakeFiles::throw_if_failed() const {
    if (impl_->failure) std::rethrow_exception(impl_->failure);
}

std::vector<FirstReading> TakeFiles::read_all(const std::function<void(double)>& progress) {
    auto& s = *impl_;
    std::vector<FirstReading> readings(s.mics.size());
    for (std::size_t m = 0; m < readings.size(); ++m)
        if (!s.mics[m]->at_rate) readings[m] = Listener(s.take.rate_hz, 0.0, 0, s.take.length).finish();
    const auto units = s.units();
    std::atomic<std::size_t> next{0};
    std::mutex mutex;
    double done = 0.0, total = 1e-9;
    for (const auto& unit : units)
        total += double(s.files[unit.mics.front()].samples) * double(unit.mics.size());
    const auto one = [&](const Unit& unit) {
        std::vector<int> channels;
        std::vector<std::unique_ptr<Listener>> listeners;
        for (const auto m : unit.mics) {
            channels.push_back(s.session.mics[m].channel);
            listeners.push_back(std::make_unique<Listener>(s.take.rate_hz, s.take.seconds(),
                                                           s.mics[m]->part.start, s.take.length));
        }
        AudioReader reader(unit.file, channels);
        const auto& part = s.mics[unit.mics.front()]->part;
        reader.keep(part.skip, s.files[unit.mics.front()].samples);
        std::vector<std::vector<float>> blocks(unit.mics.size(), std::vector<float>(kBlock));
        std::vector<float*> planes;
        for (auto& block : blocks) planes.push_back(block.data());
        while (const auto got = reader.read(planes.data(), kBlock)) {
            for (std::size_t i = 0; i < listeners.size(); ++i)
                listeners[i]->push(std::span(blocks[i]).first(got));
            const std::lock_guard lock(mutex);
            done += double(got * unit.mics.size());
            if (progress) progress(done / total);
            if (s.failure) return;
        }
        for (std::size_t i = 0; i < listeners.size(); ++i) readings[unit.mics[i]] = listeners[i]->finish();
    };
    const auto work = [&] {
        try {
            for (std::size_t u = next++; u < units.size(); u = next++) one(units[u]);
        } catch (...) {
            const std::lock_guard lock(mutex);
            if (!s.failure) s.failure = std::current_exception();
        }
    };
    {
        const std::jthread second(work);
        work();
    }
    throw_if_failed();
    return readings;
}

} // namespace kitfold::offline
