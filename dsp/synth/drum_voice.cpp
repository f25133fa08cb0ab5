#include "synth/drum_voice.h"
#include <algorithm>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {
constexpr int kPushSteps =
    24; // blows that make a push: their images lie above 10 kHz for contacts up to 2.4 ms
constexpr double kClickSpread = 0.35; // chance from stroke to stroke, log of level
} // namespace

double contact_ms(const SignalModel& signal, const Stroke& stroke) noexcept {
    return signal.contact_ms * std::pow(10.0, -stroke.strength_db / 80.0);
}

double struck_amplitude(const SignalModel& signal, const VoicedMode& mode, const Stroke& stroke) {
    const double force = force_of(stroke);
    if (!mode.head) {
        // Cymbals and clicks: softer is darker as well as quieter.
        const double tilt = std::pow(std::max(mode.mode.hz, 500.0) / 500.0, stroke.strength_db / 100.0);
        return mode.weight * std::pow(force, signal.bite) * tilt;
    }
    const double full =
        mode.weight * force * mode_shape(*mode.head, stroke.radius, stroke.angle - mode.turned);
    if (signal.pushed) return full; // the push itself is what short waves can't follow
    const double cycles = mode.mode.hz * 1e-3 * contact_ms(signal, stroke);
    return full / std::pow(1.0 + cycles * cycles, 0.75);
}

// Bristow-Johnson, Audio EQ Cookbook: low-pass and high-pass with Q = 1 / sqrt(2).
SurfaceVoice::Section SurfaceVoice::section(double hz, double rate_hz, bool high_pass) {
    const double w = 2.0 * std::numbers::pi * std::min(hz, 0.45 * rate_hz) / rate_hz;
    const double alpha = std::sin(w) / std::numbers::sqrt2, c = std::cos(w), a0 = 1.0 + alpha;
    const double middle = high_pass ? -(1.0 + c) : 1.0 - c;
    return {std::abs(middle) / (2.0 * a0), middle / a0, std::abs(middle) / (2.0 * a0), -2.0 * c / a0,
            (1.0 - alpha) / a0};
}

SurfaceVoice::SurfaceVoice(const SignalModel& model, double rate_hz, std::span<const Stroke> strokes,
                           std::uint64_t seed)
    : model_(&model), rate_hz_(rate_hz), chance_(stream_seed(seed, 2)), white_(stream_seed(seed, 3)),
      amplitudes_(model.modes.size()) {
    plan_blows(strokes, stream_seed(seed, 4));
    std::vector<Mode> modes;
    for (const auto& m : model.modes) modes.push_back(m.mode);
    if (model.dense)
        many_.emplace(rate_hz, std::move(modes));
    else
        few_.emplace(rate_hz, std::move(modes));
    const auto decay = [rate_hz](double ms) { return std::exp(-1000.0 / (ms * rate_hz)); };
    stretch_step_ = decay(model.glide_ms);
    rise_step_ = decay(model.noise.rise_ms);
    high_pass_ = section(model.noise.low_hz, rate_hz, true);
    low_pass_ = section(model.noise.high_hz, rate_hz, false);
    // White noise keeps its power per Hz when the rate changes; the band's share of it is brought to RMS 1.
    const double band_hz = std::min(model.noise.high_hz, 0.45 * rate_hz) - model.noise.low_hz;
    noise_scale_ = std::sqrt(0.5 * rate_hz / std::max(band_hz, 100.0));
}

/// A push is a half sine in time: what a stick that bounces off a head does (common model, no source).
void SurfaceVoice::plan_blows(std::span<const Stroke> strokes, std::uint64_t seed) {
    Random chance(seed);
    for (const auto& stroke : strokes) {
        if (!model_->pushed) {
            blows_.push_back({stroke.time_s, &stroke, 1.0, true});
            continue;
        }
        const double length_s =
            1e-3 * contact_ms(*model_, stroke) * std::exp(model_->push_spread * chance.normal());
        for (int i = 0; i < kPushSteps; ++i) {
            const double at = (i + 0.5) / kPushSteps;
            const double share = 0.5 * std::numbers::pi / kPushSteps * std::sin(std::numbers::pi * at);
            blows_.push_back({stroke.time_s + at * length_s, &stroke, share, i == 0});
        }
    }
    std::stable_sort(blows_.begin(), blows_.end(), [](auto& a, auto& b) { return a.time_s < b.time_s; });
}

void SurfaceVoice::draw_amplitudes(const Stroke& stroke) {
    const auto& modes = model_->modes;
    const double click = model_->pushed ? std::exp(kClickSpread * chance_.normal()) : 1.0;
    for (std::size_t k = 0; k < modes.size(); ++k) {
        const double luck = modes[k].head ? 1.0 : click * (1.0 + 0.2 * chance_.normal());
        amplitudes_[k] = luck * struck_amplitude(*model_, modes[k], stroke);
    }
}

void SurfaceVoice::strike(const Blow& blow, double since_s) {
    const Stroke& stroke = *blow.stroke;
    const double force = force_of(stroke);
    const double damping = stroke.open ? 1.0 : model_->closed_damping;
    if (blow.first) {
        draw_amplitudes(stroke);
        stretch_ = std::min(stretch_ + model_->glide * force * force, model_->glide);
    } else if (blow.stroke != drawn_)
        draw_amplitudes(stroke); // two pushes at once: the later one goes on
    drawn_ = blow.stroke;
    blow_.resize(amplitudes_.size());
    for (std::size_t k = 0; k < blow_.size(); ++k) blow_[k] = blow.share * amplitudes_[k];
    if (few_) few_->bend(1.0 + stretch_, damping), few_->strike(blow_, since_s);
    if (many_) many_->bend(1.0, damping), many_->strike(blow_, since_s);
    const double fall_ms = stroke.open ? model_->noise.fall_open_ms : model_->noise.fall_ms;
    open_fall_step_ = std::exp(-1000.0 / (fall_ms * rate_hz_));
    fall_step_ = open_fall_step_ * std::exp(-model_->noise.delta_alpha / rate_hz_);
    const double level = blow.share * model_->noise.level * std::pow(force, model_->noise.bite);
    fall_ += level, open_fall_ += level, rise_ += level;
}

void SurfaceVoice::run(std::span<float> out) {
    if (few_ && few_->sounding()) {
        if (stretch_ > 0.0) few_->bend(1.0 + stretch_, 1.0);
        few_->run(out);
    }
    if (many_) many_->run(out);
    stretch_ = stretch_ < 1e-6 ? 0.0 : stretch_ * std::pow(stretch_step_, static_cast<double>(out.size()));
    run_noise(out);
}

void SurfaceVoice::run_noise(std::span<float> out) noexcept {
    if (open_fall_ < 1e-7) {
        fall_ = open_fall_ = rise_ = 0.0;
        return;
    }
    for (float& x : out) {
        const double noise = (fall_ - rise_) * noise_scale_ * static_cast<double>(white_.next());
        x += static_cast<float>(low_pass_.next(high_pass_.next(noise)));
        fall_ *= fall_step_, open_fall_ *= open_fall_step_, rise_ *= rise_step_;
    }
}

bool SurfaceVoice::render(std::span<float> out) {
    std::fill(out.begin(), out.end(), 0.0f);
    bool sounds = false;
    for (std::size_t at = 0; at < out.size();) {
        // Runs end on a fixed grid and at strokes, so that the pieces a caller asks for change nothing.
        const auto grid = static_cast<std::int64_t>(ModalBank<double>::kChunk);
        std::int64_t length = grid - now_ % grid;
        for (; next_ < blows_.size(); ++next_) {
            const double due = blows_[next_].time_s * rate_hz_;
            const auto first = static_cast<std::int64_t>(std::ceil(due));
            if (first > now_) {
                length = std::min(length, first - now_);
                break;
            }
            strike(blows_[next_], (static_cast<double>(first) - due) / rate_hz_);
        }
        const auto run_length = std::min(static_cast<std::size_t>(length), out.size() - at);
        sounds = sounds || open_fall_ > 0.0 || (few_ && few_->sounding()) || (many_ && many_->sounding());
        run(out.subspan(at, run_length));
        at += run_length, now_ += static_cast<std::int64_t>(run_length);
    }
    return sounds;
}

} // namespace kitfold::dsp
