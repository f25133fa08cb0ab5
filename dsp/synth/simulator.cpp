#include "synth/simulator.h"
#include "core/fft.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include "synth/drum_voice.h"
#include "synth/kit.h"
#include "synth/random.h"
#include "synth/room.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <stdexcept>
#include <thread>

namespace kitfold::dsp {

namespace {

constexpr double kTemperatureC = 20.0;
constexpr double kResponseSeconds = 0.13, kBlockSeconds = 0.22;
constexpr std::size_t kLead = kSincReach;
constexpr double kCloseTarget = 0.40;   ///< peak of the loudest full stroke in a mic: -8 dBFS
constexpr double kDistantTarget = 0.30; ///< overheads and room hear several drums at once

using Spectrum = std::vector<std::complex<float>>;

/// Runs work(0) .. work(count - 1) on two threads; every index has its own data.
template <class Work> void in_parallel(std::size_t count, const Work& work) {
    const auto half = [&](std::size_t first) {
        const FlushDenormals flush;
        for (std::size_t i = first; i < count; i += 2) work(i);
    };
    std::thread other(half, 1);
    half(0);
    other.join();
}

struct Signal {
    std::size_t drum = 0; ///< index in drums
    std::size_t own = 0;  ///< index in the drum's signals
};

bool is_own(Role role, Drum drum) { return own_drum(role) == drum; }

} // namespace

/// Everything that is settled before the first sample.
struct Simulator::Kit {
    SimulatorOptions options;
    std::size_t frames = 0;
    std::vector<KitDrum> drums;
    std::vector<SimulatedMic> mics;
    Room room;
    Truth truth;
    std::vector<std::vector<Stroke>> strokes_of; ///< by index in drums
    std::vector<Signal> signals;
    std::vector<double> gains;   ///< of each mic
    std::vector<double> foreign; ///< gain of all drums but its own in each mic
    // Overlap-save: blocks of `block` new samples after `tail` old ones.
    std::size_t tail = 0, block = 0;
    std::unique_ptr<RealFft> fft;
    std::vector<Spectrum> responses; ///< [signal * mics + mic]

    Kit(const SimulatorOptions& o, bool line_check);
    void list_signals();
    void plan_transforms();
    void set_gains();
    void make_responses();
    void tell_truth();
    void tell_direct();
    void tell_image();
    [[nodiscard]] Spectrum response(std::size_t signal, std::size_t mic) const;
    [[nodiscard]] std::optional<std::size_t> own_mic(Drum drum) const;
    [[nodiscard]] std::optional<std::size_t> drum_index(Drum drum) const;
    void seat_overheads();
    [[nodiscard]] std::size_t overhead_left() const; ///< the right one follows it
};

struct Simulator::Stream::State {
    State(const Kit& kit, std::optional<std::size_t> only_drum);
    void next_block();
    void render_signals();
    void mix(std::size_t mic);
    std::size_t read(std::span<float* const> mics, std::size_t frames);

    const Kit& kit;
    bool noise;
    std::size_t position = 0;                ///< samples handed out
    std::size_t ready = 0;                   ///< samples of `out` handed out
    std::vector<std::size_t> playing;        ///< indices in kit.signals
    std::vector<SurfaceVoice> voices;        ///< one for each of `playing`
    std::vector<std::vector<float>> windows; ///< tail + block samples each
    std::vector<int> sounding;               ///< blocks for which the window is not silent
    std::vector<Spectrum> spectra;
    std::vector<std::vector<float>> out; ///< [mic][block]
    std::vector<WhiteNoise> hiss;
    struct Scratch {
        Spectrum sum;
        std::vector<float> time;
    };
    std::vector<Scratch> scratch; ///< by mic
};

namespace {

void require(bool good, const char* line) {
    if (!good) throw std::invalid_argument(line);
}

void check(const SimulatorOptions& o) {
    require(o.rate_hz >= 8'000.0 && o.rate_hz <= 192'000.0, "rate_hz must be 8000 to 192000");
    require(o.seconds >= 0.2 && o.seconds <= 3600.0, "seconds must be 0.2 to 3600");
    require(o.mics == 8 || o.mics == 10, "mics must be 8 or 10");
    require(o.tempo_bpm >= 40.0 && o.tempo_bpm <= 240.0, "tempo_bpm must be 40 to 240");
    require(o.extra_noise_db >= 0.0 && o.extra_noise_db <= 40.0, "extra_noise_db must be 0 to 40");
    require(o.traps.extra_delay_ms >= 0.0 && o.traps.extra_delay_ms <= 20.0,
            "extra_delay_ms must be 0 to 20");
    for (const auto& s : o.strokes) {
        require(s.strength_db >= -60.0 && s.strength_db <= 0.0, "strength_db of a stroke must be -60 to 0");
        require(s.time_s >= 0.0 && s.radius >= 0.0 && s.radius <= 0.9,
                "a stroke must lie in the take and on its drum");
        require(std::find(kKitDrums.begin(), kKitDrums.end(), s.drum) != kKitDrums.end(),
                "a stroke must be on a drum of the kit");
    }
}

/// The modes of the struck head, at the level a full stroke gives them.
std::vector<Partial> partials_of(const KitDrum& drum, Tone tone) {
    const SignalModel& struck = drum.signals[0];
    std::vector<Partial> out;
    double strongest = 0.0;
    for (const auto& m : struck.modes) {
        if (!m.head) continue;
        const double alpha = m.mode.alpha - (tone == Tone::deadened ? m.delta_alpha : 0.0);
        const double level = std::abs(struck_amplitude(struck, m, {0.0, drum.drum, 0.0, 0.3, 0.3}));
        strongest = std::max(strongest, level);
        out.push_back({m.mode.hz, ring_ms_from_alpha(m.mode.alpha), ring_ms_from_alpha(alpha),
                       ring_ms_from_alpha(alpha + m.delta_alpha), m.delta_alpha, level});
    }
    for (auto& p : out) p.level_db = db_from_gain(p.level_db / strongest);
    std::sort(out.begin(), out.end(), [](const auto& a, const auto& b) { return a.hz < b.hz; });
    return out;
}

/// One full stroke on each drum, a second apart: what the engineer sets the gains by.
SimulatorOptions line_check_of(SimulatorOptions o) {
    o.rate_hz = 48'000.0, o.tone = Tone::open, o.extra_noise_db = 0.0, o.seconds = 1.2;
    o.strokes.clear();
    for (const Drum drum : kKitDrums) o.strokes.push_back({0.01, drum, 0.0, 0.25, 0.0, drum == Drum::hihat});
    return o;
}

} // namespace

Simulator::Kit::Kit(const SimulatorOptions& o, bool line_check)
    : options(o), frames(static_cast<std::size_t>(std::llround(o.seconds * o.rate_hz))),
      drums(build_drums(o)), mics(build_mics(o)), room(build_room(o)) {
    truth.speed_of_sound = speed_of_sound(kTemperatureC);
    truth.strokes = o.strokes.empty() ? perform(o.style, o.seconds, o.tempo_bpm, o.seed) : o.strokes;
    std::stable_sort(truth.strokes.begin(), truth.strokes.end(),
                     [](const auto& a, const auto& b) { return a.time_s < b.time_s; });
    strokes_of.resize(drums.size());
    for (const auto& s : truth.strokes) strokes_of[*drum_index(s.drum)].push_back(s);
    list_signals();
    plan_transforms();
    seat_overheads();
    gains.assign(mics.size(), 1.0), foreign.assign(mics.size(), 1.0);
    if (!line_check) set_gains();
    make_responses();
    if (!line_check) tell_truth();
}

std::optional<std::size_t> Simulator::Kit::drum_index(Drum drum) const {
    for (std::size_t i = 0; i < drums.size(); ++i)
        if (drums[i].drum == drum) return i;
    return std::nullopt;
}

std::optional<std::size_t> Simulator::Kit::own_mic(Drum drum) const {
    for (std::size_t m = 0; m < mics.size(); ++m) // kick in and snare top come first
        if (is_own(mics[m].role, drum)) return m;
    return std::nullopt;
}

std::size_t Simulator::Kit::overhead_left() const {
    std::size_t left = 0;
    while (mics[left].role != Role::overhead_left) ++left;
    return left;
}

void Simulator::Kit::list_signals() {
    for (std::size_t d = 0; d < drums.size(); ++d)
        for (std::size_t s = 0; s < drums[d].signals.size(); ++s) signals.push_back({d, s});
}

void Simulator::Kit::plan_transforms() {
    double late_s = 0.0;
    for (const auto& mic : mics) late_s = std::max(late_s, 1e-3 * mic.late_ms);
    tail = static_cast<std::size_t>((kResponseSeconds + late_s) * options.rate_hz) + 2 * kLead;
    const auto least = static_cast<std::size_t>(kBlockSeconds * options.rate_hz);
    constexpr std::size_t kChunk = ModalBank<float>::kChunk;
    const std::size_t size = fast_fft_size(tail + least);
    block = (size - tail) / kChunk * kChunk; // so that pieces fall on the voices' grid
    tail = size - block;
    fft = std::make_unique<RealFft>(size);
}

/// The cables of the overheads, exchanged or not.
void Simulator::Kit::seat_overheads() {
    truth.overheads_swapped = options.traps.swapped_overheads,
    truth.overheads_spaced = options.traps.spaced_overheads;
    if (!options.traps.swapped_overheads) return;
    const std::size_t left = overhead_left();
    std::swap(mics[left].position, mics[left + 1].position);
    std::swap(mics[left].axis, mics[left + 1].axis);
}

Spectrum Simulator::Kit::response(std::size_t signal, std::size_t mic) const {
    const KitDrum& drum = drums[signals[signal].drum];
    const SimulatedMic& m = mics[mic];
    const bool own = is_own(m.role, drum.drum);
    std::vector<Arrival> arrivals;
    for (const auto& r : drum.radiators) {
        if (r.radiator.signal != signals[signal].own) continue;
        const double open = openness(m, r);
        if (open == 0.0) continue;
        std::vector<Arrival> here{direct_arrival(r.radiator, m, truth.speed_of_sound)};
        if (options.traps.shell_reflections && own)
            for (const auto& a : shell_arrivals(here[0], m, options.seed)) here.push_back(a);
        if (options.lifelike)
            for (const auto& a : forerunners(here[0], r, truth.speed_of_sound)) here.push_back(a);
        if (r.heard != Heard::inside_kick)
            for (const auto& a : wall_arrivals(room, r.radiator, m, truth.speed_of_sound)) here.push_back(a);
        for (auto a : here) {
            a.gain *= open * gains[mic] * (own ? 1.0 : foreign[mic]) * (m.flipped ? -1.0 : 1.0);
            a.delay_s += 1e-3 * m.late_ms;
            arrivals.push_back(a);
        }
    }
    std::vector<float> time(fft->size(), 0.0f);
    add_arrivals(arrivals, options.rate_hz, kLead, std::span(time).first(tail));
    Spectrum spectrum(fft->bins());
    fft->forward(time, spectrum);
    if (options.lifelike) {
        const MicResponse heard(m, length(m.position - drum.position), truth.speed_of_sound, options.seed);
        const double bin_hz = options.rate_hz / double(fft->size());
        for (std::size_t k = 0; k < spectrum.size(); ++k)
            spectrum[k] *= std::complex<float>(heard.at(double(k) * bin_hz));
    }
    return spectrum;
}

void Simulator::Kit::make_responses() {
    responses.resize(signals.size() * mics.size());
    in_parallel(responses.size(),
                [this](std::size_t i) { responses[i] = response(i / mics.size(), i % mics.size()); });
}

void Simulator::Kit::set_gains() {
    const Kit check_kit(line_check_of(options), true);
    std::vector<double> own(mics.size(), 0.0), others(mics.size(), 0.0);
    for (std::size_t d = 0; d < drums.size(); ++d) {
        Stream::State state(check_kit, d);
        std::vector<std::vector<float>> heard(mics.size(), std::vector<float>(check_kit.frames));
        std::vector<float*> pointers;
        for (auto& h : heard) pointers.push_back(h.data());
        state.read(pointers, check_kit.frames);
        for (std::size_t m = 0; m < mics.size(); ++m) {
            double peak = 0.0;
            for (const float x : heard[m]) peak = std::max(peak, std::abs(static_cast<double>(x)));
            auto& most = is_own(mics[m].role, drums[d].drum) ? own[m] : others[m];
            most = std::max(most, peak);
        }
    }
    for (std::size_t m = 0; m < mics.size(); ++m) {
        const bool close = own[m] > 0.0;
        if (close && options.traps.hot_bleed) foreign[m] = std::max(1.0, own[m] / others[m]);
        const double loudest = std::max(own[m], foreign[m] * others[m]);
        const double hot = options.traps.hot_room && mics[m].role == Role::room_mono ? 2.0 : 1.0;
        gains[m] = (close ? kCloseTarget : hot * kDistantTarget) / loudest;
    }
    const std::size_t left = overhead_left(); // a pair gets one gain
    gains[left] = gains[left + 1] = std::min(gains[left], gains[left + 1]);
}

void Simulator::Kit::tell_truth() {
    for (const auto& d : drums) {
        truth.drums.push_back({d.drum, d.position, own_mic(d.drum), partials_of(d, options.tone)});
    }
    tell_direct();
    tell_image();
}

namespace {

/// The first of those that matter: a head turned away is not what a mic hears first.
Arrival first_arrival(const std::vector<Arrival>& arrivals) {
    constexpr double kMatters = 0.25; // re the loudest
    double loudest = 0.0;
    for (const auto& a : arrivals) loudest = std::max(loudest, std::abs(a.gain));
    const Arrival* first = nullptr;
    for (const auto& a : arrivals)
        if (std::abs(a.gain) >= kMatters * loudest && (first == nullptr || a.delay_s < first->delay_s))
            first = &a;
    return *first;
}

} // namespace

void Simulator::Kit::tell_direct() {
    for (const auto& d : drums) {
        std::vector<Direct> row;
        std::vector<double> gain;
        for (std::size_t m = 0; m < mics.size(); ++m) {
            const auto first = first_arrival(straight_arrivals(d, mics[m], truth.speed_of_sound));
            const double g = first.gain * gains[m] * (is_own(mics[m].role, d.drum) ? 1.0 : foreign[m]);
            gain.push_back(std::abs(g));
            row.push_back(
                {d.drum, m, 1e3 * first.delay_s + mics[m].late_ms, 0.0, (g < 0.0) != mics[m].flipped});
        }
        const auto own = own_mic(d.drum);
        const double reference = own ? gain[*own] : *std::max_element(gain.begin(), gain.end());
        for (std::size_t m = 0; m < mics.size(); ++m) {
            row[m].level_db = db_from_gain(gain[m] / reference);
            truth.direct.push_back(row[m]);
        }
    }
}

void Simulator::Kit::tell_image() {
    const std::size_t left = overhead_left();
    for (const auto& d : drums) {
        const Direct &l = truth.path(d.drum, left), &r = truth.path(d.drum, left + 1);
        truth.image.push_back({d.drum, l.level_db - r.level_db, r.delay_ms - l.delay_ms});
    }
}

const Direct& Truth::path(Drum drum, std::size_t mic) const {
    const auto found = std::find_if(direct.begin(), direct.end(),
                                    [&](const Direct& d) { return d.drum == drum && d.mic == mic; });
    if (found == direct.end()) throw std::out_of_range("no such drum or mic in the kit");
    return *found;
}

// --- rendering

Simulator::Stream::State::State(const Kit& k, std::optional<std::size_t> only_drum)
    : kit(k), noise(!only_drum), ready(k.block) {
    for (std::size_t s = 0; s < kit.signals.size(); ++s) {
        const auto& signal = kit.signals[s];
        if ((only_drum && signal.drum != *only_drum) || kit.strokes_of[signal.drum].empty()) continue;
        playing.push_back(s);
        voices.emplace_back(kit.drums[signal.drum].signals[signal.own], kit.options.rate_hz,
                            kit.strokes_of[signal.drum], stream_seed(kit.options.seed, 1000 + s));
    }
    windows.assign(playing.size(), std::vector<float>(kit.tail + kit.block, 0.0f));
    sounding.assign(playing.size(), 0);
    spectra.assign(playing.size(), Spectrum(kit.fft->bins()));
    out.assign(kit.mics.size(), std::vector<float>(kit.block));
    scratch.assign(kit.mics.size(), {Spectrum(kit.fft->bins()), std::vector<float>(kit.fft->size())});
    for (std::size_t m = 0; m < kit.mics.size(); ++m)
        hiss.emplace_back(stream_seed(kit.options.seed, 2000 + m));
    if (playing.empty() && !noise) return;
    next_block();
    ready = kLead; // the responses are that much late
}

void Simulator::Stream::State::render_signals() {
    const int memory = static_cast<int>((kit.tail + kit.block - 1) / kit.block) + 1;
    in_parallel(playing.size(), [&](std::size_t i) {
        auto& window = windows[i];
        std::copy(window.end() - static_cast<std::ptrdiff_t>(kit.tail), window.end(), window.begin());
        const bool sounds = voices[i].render(std::span(window).last(kit.block));
        sounding[i] = sounds ? memory : std::max(0, sounding[i] - 1);
        if (sounding[i] > 0) kit.fft->forward(window, spectra[i]);
    });
}

void Simulator::Stream::State::mix(std::size_t m) {
    auto& [sum, time] = scratch[m];
    std::fill(sum.begin(), sum.end(), std::complex<float>());
    bool silent = true;
    for (std::size_t i = 0; i < playing.size(); ++i) {
        if (sounding[i] == 0) continue;
        silent = false;
        const auto* h = kit.responses[playing[i] * kit.mics.size() + m].data();
        const auto* x = spectra[i].data();
        for (std::size_t k = 0; k < sum.size();
             ++k) // written out: std::complex checks for NaN in every product
            sum[k] += std::complex<float>(h[k].real() * x[k].real() - h[k].imag() * x[k].imag(),
                                          h[k].real() * x[k].imag() + h[k].imag() * x[k].real());
    }
    if (silent)
        std::fill(out[m].begin(), out[m].end(), 0.0f);
    else {
        kit.fft->inverse(sum, time);
        std::copy(time.end() - static_cast<std::ptrdiff_t>(kit.block), time.end(), out[m].begin());
    }
    if (!noise) return;
    const auto level = static_cast<float>(gain_from_db(kit.mics[m].noise_dbfs));
    for (float& x : out[m]) x += level * hiss[m].next();
}

void Simulator::Stream::State::next_block() {
    render_signals();
    in_parallel(kit.mics.size(), [this](std::size_t m) { mix(m); });
    ready = 0;
}

std::size_t Simulator::Stream::State::read(std::span<float* const> mics, std::size_t frames) {
    frames = std::min(frames, kit.frames - position);
    if (playing.empty() && !noise) {
        for (float* mic : mics) std::fill_n(mic, frames, 0.0f);
        position += frames;
        return frames;
    }
    for (std::size_t done = 0; done < frames;) {
        if (ready == kit.block) next_block();
        const std::size_t piece = std::min(frames - done, kit.block - ready);
        for (std::size_t m = 0; m < mics.size(); ++m)
            std::copy_n(out[m].data() + ready, piece, mics[m] + done);
        done += piece, ready += piece, position += piece;
    }
    return frames;
}

Simulator::Stream::Stream(std::unique_ptr<State> state) noexcept : state_(std::move(state)) {}
Simulator::Stream::~Stream() = default;
Simulator::Stream::Stream(Stream&&) noexcept = default;
Simulator::Stream& Simulator::Stream::operator=(Stream&&) noexcept = default;
std::size_t Simulator::Stream::read(std::span<float* const> mics, std::size_t frames) {
    return state_->read(mics, frames);
}

// --- the simulator

Simulator::Simulator(const SimulatorOptions& options) {
    check(options);
    kit_ = std::make_unique<const Kit>(options, false);
}
Simulator::~Simulator() = default;
Simulator::Simulator(Simulator&&) noexcept = default;
Simulator& Simulator::operator=(Simulator&&) noexcept = default;

const SimulatorOptions& Simulator::options() const noexcept { return kit_->options; }
std::size_t Simulator::frames() const noexcept { return kit_->frames; }
std::span<const SimulatedMic> Simulator::mics() const noexcept { return kit_->mics; }
const Truth& Simulator::truth() const noexcept { return kit_->truth; }

std::vector<TakeMic> Simulator::take_mics() const {
    std::vector<TakeMic> out;
    for (const auto& mic : kit_->mics) {
        TakeMic take_mic;
        take_mic.name = mic.name, take_mic.role = mic.role;
        out.push_back(take_mic);
    }
    return out;
}

std::optional<std::size_t> Simulator::mic(Role role) const noexcept {
    for (std::size_t m = 0; m < kit_->mics.size(); ++m)
        if (kit_->mics[m].role == role) return m;
    return std::nullopt;
}

Simulator::Stream Simulator::stream() const {
    return Stream(std::make_unique<Stream::State>(*kit_, std::nullopt));
}
Simulator::Stream Simulator::stream_drum(Drum drum) const {
    const auto index = kit_->drum_index(drum);
    return Stream(std::make_unique<Stream::State>(*kit_, index ? *index : kit_->drums.size()));
}

namespace {

Simulator::Planar read_all(Simulator::Stream stream, std::size_t mics, std::size_t frames) {
    Simulator::Planar out(mics, std::vector<float>(frames));
    std::vector<float*> pointers;
    for (auto& mic : out) pointers.push_back(mic.data());
    stream.read(pointers, frames);
    return out;
}

} // namespace

Simulator::Planar Simulator::render() const { return read_all(stream(), mics().size(), frames()); }
Simulator::Planar Simulator::render_drum(Drum drum) const {
    return read_all(stream_drum(drum), mics().size(), frames());
}

std::vector<BleedTruth> Simulator::measure_bleed() const {
    std::vector<BleedTruth> out;
    constexpr std::size_t kPiece = 16'384;
    Planar piece(mics().size(), std::vector<float>(kPiece));
    std::vector<float*> pointers;
    for (auto& mic : piece) pointers.push_back(mic.data());
    for (std::size_t d = 0; d < kit_->drums.size(); ++d) {
        if (kit_->strokes_of[d].empty()) continue;
        std::vector<double> energy(mics().size(), 0.0);
        auto drum_stream = stream_drum(kit_->drums[d].drum);
        while (const std::size_t got = drum_stream.read(pointers, kPiece))
            for (std::size_t m = 0; m < energy.size(); ++m)
                for (std::size_t n = 0; n < got; ++n)
                    energy[m] += static_cast<double>(piece[m][n]) * piece[m][n];
        const auto own = kit_->own_mic(kit_->drums[d].drum);
        const double reference = own ? energy[*own] : *std::max_element(energy.begin(), energy.end());
        for (std::size_t m = 0; m < energy.size(); ++m)
            out.push_back({kit_->drums[d].drum, m, db_from_power(energy[m] / reference)});
    }
    return out;
}

namespace {

/// T60 by the straight line through what lies between two levels of the backward integral.
double t60_ms(std::span<const float> stroke, double rate_hz, double from_db, double to_db) {
    std::vector<double> left(stroke.size() + 1, 0.0); // energy from here to the end
    for (std::size_t n = stroke.size(); n-- > 0;)
        left[n] = left[n + 1] + static_cast<double>(stroke[n]) * stroke[n];
    double count = 0, t = 0, l = 0, tt = 0, tl = 0;
    for (std::size_t n = 0; n < stroke.size(); ++n) {
        const double level = db_from_power(left[n] / left[0]), time = static_cast<double>(n) / rate_hz;
        if (level > from_db) continue;
        if (level < to_db) break;
        count += 1, t += time, l += level, tt += time * time, tl += time * level;
    }
    return -60'000.0 * (count * tt - t * t) / (count * tl - t * l);
}

/// From the loudest 2 ms of the first 30 on.
std::span<const float> from_loudest(std::span<const float> from_arrival, double rate_hz) {
    const auto block = static_cast<std::size_t>(std::lround(0.002 * rate_hz));
    std::size_t loudest = 0;
    double most = 0.0;
    for (std::size_t at = 0; at < 15 * block; at += block) {
        double energy = 0.0;
        for (const float x : from_arrival.subspan(at, block)) energy += static_cast<double>(x) * x;
        if (energy > most) most = energy, loudest = at;
    }
    return from_arrival.subspan(loudest);
}

} // namespace

std::vector<RingTruth> Simulator::measure_rings() const {
    constexpr double kAt = 0.05, kSeconds = 4.0;
    std::vector<RingTruth> out;
    auto options_alone = options();
    options_alone.seconds = kSeconds, options_alone.strokes.clear();
    for (const Drum drum : {Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom}) {
        options_alone.strokes = {{kAt, drum, 0.0, 0.25, 0.0}};
        const Simulator alone(options_alone);
        const auto mic = *kit_->own_mic(drum);
        const auto heard = alone.render_drum(drum)[mic];
        const double arrival_s = kAt + 1e-3 * truth().path(drum, mic).delay_ms;
        const auto first = static_cast<std::size_t>(std::llround(arrival_s * options().rate_hz));
        const auto stroke = from_loudest(std::span(heard).subspan(first), options().rate_hz);
        out.push_back({drum, mic, t60_ms(stroke, options().rate_hz, 0.0, -10.0),
                       t60_ms(stroke, options().rate_hz, -5.0, -25.0)});
    }
    return out;
}

} // namespace kitfold::dsp
