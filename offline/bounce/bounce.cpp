#include "offline/bounce/bounce.h"
#include "mix/kit_mix.h"
#include "offline/bounce/bleed_reduction.h"
#include "offline/bounce/pipeline.h"
#include "offline/bounce/recall_sheet.h"
#include "offline/session/outputs.h"
#include "offline/session/strips.h"
#include "offline/util/atomic_file.h"
#include "offline/util/digest.h"
#include "offline/util/errors.h"
#include "offline/util/file_name.h"
#include "offline/util/text_file.h"
#include <algorithm>
#include <cmath>
#include <ctime>
#include <fmt/chrono.h>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

constexpr double kLearnShare = 0.3; // of the time, when bleed is taken down
constexpr std::size_t kBlocks = 8;  // one for each station, and some to even out their pace

/// What goes from station to station.
struct Block {
    std::vector<std::vector<float>> mics; ///< as read; the strips work in place
    std::vector<float> left, right;
    std::vector<float*> planes; ///< of the mics
    std::size_t frames = 0;     ///< filled
    std::size_t skip = 0;       ///< mixed frames at the front that are latency

    Block(std::size_t mic_count, std::size_t size)
        : mics(mic_count, std::vector<float>(size)), left(size), right(size) {
        for (auto& mic : mics) planes.push_back(mic.data());
    }
};

fs::path beside(const fs::path& output, const char* ending) {
    return output.parent_path() / (output.stem().string() + ending);
}

/// The stems' folder, if there are to be any.
std::optional<MadeFolder> stem_folder(const BounceRequest& request) {
    if (!request.stems) return std::nullopt;
    std::error_code ignored;
    if (fs::exists(*request.stems, ignored) && !fs::is_directory(*request.stems, ignored))
        throw bad_input(request.stems->string() + ": is not a folder; --stems takes a folder");
    return std::optional<MadeFolder>(std::in_place, *request.stems);
}

double louder_side(const dsp::StereoGain& gain) {
    return std::max(std::abs(gain.left), std::abs(gain.right));
}

/// A submix may be written anew from its own session; any other is somebody's work.
void refuse_foreign(const BounceRequest& request, const fs::path& recall) {
    std::error_code ignored;
    if (request.force || !fs::is_regular_file(request.output, ignored)) return;
    const auto refused = [&](const std::string& why) {
        return bad_input(
            fmt::format("{}: is there already, {}; --force writes over it, or choose another name",
                        request.output.string(), why));
    };
    dsp::Json sheet;
    try {
        sheet = dsp::parse_json(read_text_file(recall, dsp::kJsonBytes));
    } catch (const std::exception&) {
        throw refused("and its recall sheet is not beside it");
    }
    const auto text = [](const dsp::Json& json, const char* key) {
        return json.is_object() && json.contains(key) && json[key].is_string() ? json[key].get<std::string>()
                                                                               : std::string();
    };
    const auto figures = sheet.is_object() ? sheet.find("figures") : sheet.end();
    if (figures == sheet.end() || text(*figures, "xxh128") != xxh128_of_file(request.output))
        throw refused("and the recall sheet beside it is that of another file");
    const auto from = text(sheet, "session_file");
    if (fs::weakly_canonical(from, ignored) != fs::weakly_canonical(request.session.path, ignored))
        throw refused("a submix of " + from);
}

dsp::KitMix prepared_mix(const Session& session, int rate_hz) {
    dsp::KitMix mix;
    if (const dsp::Parameter* refused =
            mix.prepare(rate_hz, mix_settings(session).strips, session.sum, session.bus,
                        session.output.level_db, dsp::best_isa(), session.bleed))
        throw bad_input(
            fmt::format("{}: {} must be {}", session.path.string(), refused->key, what_is_allowed(*refused)));
    return mix;
}

/// The broadcast extension of the first mic that has one, at the time of the earliest and of the range, with
/// our line of coding history (EBU R 98).
std::optional<BroadcastInfo> broadcast_of(const KitReader& kit, const TakeRange& range,
                                          const AudioFormat& format) {
    const auto& sources = kit.sources();
    const auto dated = [](const MicSource& source) { return source.info.broadcast.has_value(); };
    const auto first = std::find_if(sources.begin(), sources.end(), dated);
    if (first == sources.end()) return std::nullopt;
    BroadcastInfo info = *first->info.broadcast;
    const double start_s = double(info.time_reference) / first->info.rate_hz - first->start_s + range.from_s;
    info.time_reference = std::llround(start_s * format.rate_hz);
    if (!info.coding_history.empty() && !info.coding_history.ends_with('\n')) info.coding_history += "\r\n";
    info.coding_history += fmt::format("A=PCM,F={},W={},M=stereo,T=Kitfold {}; submix of {} mics\r\n",
                                       format.rate_hz, format.bits, KITFOLD_VERSION, sources.size());
    return info;
}

/// Everything one bounce holds while it runs. Without an output it only measures.
class Bounce {
public:
    explicit Bounce(const BounceRequest& request)
        : request_(request), kit_(request.session, {request.rate_hz, !request.output.empty()}),
          stem_folder_((refuse(), stem_folder(request))), mix_(prepared_mix(request.session, kit_.rate_hz())),
          meter_(kit_.rate_hz()) {
        length_ = kit_.frames() + static_cast<std::int64_t>(mix_.latency());
        if (request.output.empty()) return;
        figures_.format = output_format(2);
        figures_.format.broadcast = broadcast_of(kit_, request.session.range, figures_.format);
        writer_.emplace(request.output, figures_.format);
        figures_.mics.resize(kit_.sources().size());
        if (request.stems) open_stems();
        figures_.recall_json = beside(request.output, ".recall.json");
        figures_.recall_page = beside(request.output, ".recall.html");
    }

    void run(const std::function<void(double)>& progress) {
        const auto reached = [&](double share) {
            if (progress) progress(share);
        };
        bleed_ = learn_bleed_reduction(request_.session, kit_.rate_hz(),
                                       [&](double share) { reached(kLearnShare * share); });
        if (bleed_) length_ += static_cast<std::int64_t>(bleed_->reducer.latency());
        const double learned = bleed_ ? kLearnShare : 0.0;
        std::vector<Block> blocks;
        for (std::size_t n = 0; n < kBlocks; ++n)
            blocks.emplace_back(kit_.sources().size(), request_.block_frames);
        std::vector<std::function<void(Block&)>> workers = {
            [&](Block& block) { mix_.shape(block.planes.data(), block.frames); },
            [&](Block& block) { mix(block); }, [&](Block& block) { write(block); },
            [&](Block& block) {
                meter(block);
                reached(learned + (1.0 - learned) * double(metered_) / double(kit_.frames()));
            }};
        if (bleed_) // as recorded: delay and polarity, which come next, change no power
            workers.insert(workers.begin(),
                           [&](Block& block) { bleed_->reducer.process(block.planes.data(), block.frames); });
        run_pipeline<Block>(
            blocks, [&](Block& block) { return fill(block); }, workers);
    }

    void try_buses(const std::vector<dsp::BusSettings>& trials) {
        for (const auto& settings : trials) {
            auto& bus = trials_.emplace_back();
            (void)bus.prepare(kit_.rate_hz());
            if (const auto* refused = bus.set(settings))
                throw bad_input(fmt::format("bus.{} must be {}", refused->key, what_is_allowed(*refused)));
        }
    }

    [[nodiscard]] MeasuredSubmix measured() const {
        MeasuredSubmix out{meter_.figures(), {}, {}};
        if (const auto* bus = mix_.bus()) out.bus = figures_of(*bus);
        for (const auto& bus : trials_) out.trials.push_back(figures_of(bus));
        return out;
    }

    BounceFigures finish() {
        writer_->close();
        figures_.output_xxh128 = writer_->xxh128();
        gather();
        commit();
        return figures_;
    }

private:
    void refuse() const {
        if (request_.output.empty()) return;
        (void)container_for(request_.output);
        Outputs outputs;
        outputs.reads(request_.session);
        outputs.writes(request_.output, Product::submix);
        for (const char* ending : {".recall.json", ".recall.html"})
            outputs.writes(beside(request_.output, ending), Product::recall);
        refuse_foreign(request_, beside(request_.output, ".recall.json"));
        if (!request_.stems) return;
        for (std::size_t m = 0; m < request_.session.mics.size(); ++m)
            outputs.writes(stem_path(m), Product::stem);
    }

    [[nodiscard]] fs::path stem_path(std::size_t mic) const {
        return *request_.stems /
               (numbered_name(mic, request_.session.mics[mic].name) + request_.output.extension().string());
    }

    [[nodiscard]] AudioFormat output_format(int channels) const {
        const dsp::OutputSettings& output = request_.session.output;
        return {kit_.rate_hz(), channels, static_cast<int>(output.bits), output.dither, kit_.frames(), {},
                Product::submix};
    }

    void open_stems() {
        for (std::size_t m = 0; m < figures_.mics.size(); ++m) {
            figures_.mics[m].stem = stem_path(m);
            AudioFormat format = output_format(request_.dry_stems ? 1 : 2);
            format.broadcast = figures_.format.broadcast;
            format.product = Product::stem;
            stems_.emplace_back(figures_.mics[m].stem, format);
        }
    }

    bool fill(Block& block) {
        const std::int64_t left = length_ - filled_;
        if (left <= 0) {
            kit_.finish();
            return false;
        }
        block.frames = static_cast<std::size_t>(
            std::min<std::int64_t>(left, static_cast<std::int64_t>(request_.block_frames)));
        kit_.read(block.planes.data(), block.frames);
        const std::int64_t latency = length_ - kit_.frames();
        block.skip = static_cast<std::size_t>(
            std::clamp<std::int64_t>(latency - filled_, 0, static_cast<std::int64_t>(block.frames)));
        filled_ += static_cast<std::int64_t>(block.frames);
        return true;
    }

    void mix(Block& block) {
        mix_.finish(block.planes.data(), block.left.data(), block.right.data(), block.frames);
    }

    void write(Block& block) {
        const std::size_t count = block.frames - block.skip;
        if (count == 0 || !writer_) return;
        const float* const planes[] = {block.left.data() + block.skip, block.right.data() + block.skip};
        writer_->write(planes, count);
        for (std::size_t m = 0; m < stems_.size(); ++m) write_stem(m, block.planes[m] + block.skip, count);
    }

    void write_stem(std::size_t mic, const float* strip, std::size_t count) {
        if (request_.dry_stems) return stems_[mic].write(&strip, count);
        const auto gain = mix_.gain(mic);
        stem_.resize(2 * count);
        for (std::size_t n = 0; n < count; ++n) {
            const double x = std::isfinite(strip[n]) ? strip[n] : 0.0;
            stem_[n] = float(gain.left * x), stem_[count + n] = float(gain.right * x);
        }
        const float* const planes[] = {stem_.data(), stem_.data() + count};
        stems_[mic].write(planes, count);
    }

    void meter(Block& block) {
        const std::size_t count = block.frames - block.skip;
        float* const left = block.left.data() + block.skip;
        float* const right = block.right.data() + block.skip;
        meter_.add(left, right, count);
        for (auto& bus : trials_) {
            trial_.resize(2 * count);
            bus.process(left, right, left, right, trial_.data(), trial_.data() + count, count);
        }
        metered_ += static_cast<std::int64_t>(count);
    }

    static BusFigures figures_of(const dsp::BusCompressor& bus) {
        return {bus.largest_reduction_db(), bus.mean_reduction_db()};
    }

    void gather() {
        figures_.stereo = meter_.figures();
        figures_.clipped = writer_->clipped();
        figures_.notices = kit_.notices();
        if (bleed_)
            figures_.notices.insert(figures_.notices.end(), bleed_->notices.begin(), bleed_->notices.end());
        if (const auto* bus = mix_.bus()) figures_.bus = figures_of(*bus);
        for (std::size_t m = 0; m < figures_.mics.size(); ++m) {
            MicFigures& mic = figures_.mics[m];
            mic.source = kit_.sources()[m];
            mic.peak_dbfs = peak_db(mix_.peak(m) * louder_side(mix_.gain(m)));
            if (request_.session.mics[m].gate)
                mic.gate_open_s = mix_.gate_open(m) * double(length_) / kit_.rate_hz();
            if (const auto& gate = request_.session.mics[m].gate;
                gate && gate->key == dsp::GateKey::kit && !mix_.kit_keyed(m))
                figures_.notices.push_back(fmt::format(
                    "{}: the gate's key is the kit, but the session knows no bleed of this mic; it "
                    "worked as a plain gate on its own signal",
                    request_.session.mics[m].name));
            if (mic.source.non_finite > 0)
                figures_.notices.push_back(
                    fmt::format("{}: {} samples of {} are not numbers and were taken as silence",
                                request_.session.mics[m].name, mic.source.non_finite,
                                mic.source.file.filename().string()));
        }
        if (figures_.clipped > 0)
            figures_.notices.push_back(
                fmt::format("{} samples went over full scale and were clipped; lower output.level_db "
                            "by {:.1f} dB or more",
                            figures_.clipped, figures_.stereo.sample_peak_dbfs + 0.1));
        if (figures_.format.broadcast && container_for(request_.output) == Container::flac)
            figures_.notices.emplace_back(
                "FLAC has no broadcast extension; the time reference is in the recall sheet only");
    }

    /// Everything is on the disk before the first of the names is given.
    void commit() {
        const std::time_t now = std::time(nullptr);
        const std::string date = fmt::format("{:%Y-%m-%d %H:%M}", fmt::localtime(now));
        AtomicFile json(figures_.recall_json), page(figures_.recall_page);
        json.write(recall_json(request_, figures_, date));
        page.write(sealed_page(recall_page(request_, figures_, date), Product::recall));
        for (AudioWriter& stem : stems_) stem.close();
        for (AudioWriter& stem : stems_) stem.commit();
        json.commit(Survives::our_end);
        page.commit(Survives::our_end);
        writer_->commit();
        if (stem_folder_) stem_folder_->keep();
    }

    const BounceRequest& request_;
    KitReader kit_;
    std::optional<MadeFolder> stem_folder_;
    std::optional<BleedReduction> bleed_;
    dsp::KitMix mix_;
    StereoMeter meter_;
    std::vector<dsp::BusCompressor> trials_;
    std::vector<float> trial_, stem_;
    std::optional<AudioWriter> writer_;
    std::vector<AudioWriter> stems_;
    BounceFigures figures_;
    std::int64_t length_ = 0; ///< frames to mix, latency included
    std::int64_t filled_ = 0, metered_ = 0;
};

} // namespace

MeasuredSubmix measure_submix(const Session& session, std::optional<int> rate_hz,
                              const std::vector<dsp::BusSettings>& trials,
                              const std::function<void(double)>& progress) {
    const BounceRequest request{.session = session, .output = {}, .stems = {}, .rate_hz = rate_hz};
    Bounce job(request);
    job.try_buses(trials);
    job.run(progress);
    return job.measured();
}

std::string fit_output(Session& session, const OutputWish& wish, const MeasuredSubmix& at_0_db) {
    constexpr double kLowestDb = -90.0, kHighestDb = 12.0; // of an output level
    const double for_peak = wish.peak_dbtp - at_0_db.stereo.true_peak_dbtp;
    const double for_loudness =
        wish.loudness_lufs ? *wish.loudness_lufs - at_0_db.stereo.loudness_lufs : for_peak;
    if (!std::isfinite(for_peak) || !std::isfinite(for_loudness)) return "the submix is silent";
    const double wanted = std::min(for_loudness, for_peak);
    // down to the tenth, so that the peak stays under
    session.output.level_db = std::clamp(std::floor(wanted * 10.0) / 10.0, kLowestDb, kHighestDb);
    if (wanted > kHighestDb)
        return fmt::format("the output goes up to {:.0f} dB, but it would take {:.1f} dB: recorded too low",
                           kHighestDb, wanted);
    if (for_peak < for_loudness)
        return fmt::format("lands at {:.1f} LUFS; {:.0f} would go {:.1f} dB over {:.0f} dBTP",
                           at_0_db.stereo.loudness_lufs + session.output.level_db, *wish.loudness_lufs,
                           for_loudness - for_peak, wish.peak_dbtp);
    return {};
}

BounceFigures bounce(const BounceRequest& request, const std::function<void(double)>& progress) {
    Bounce job(request);
    job.run(progress);
    return job.finish();
}

} // namespace kitfold::offline
