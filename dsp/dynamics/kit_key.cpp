#include "dynamics/kit_key.h"
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kStepsPerSecond = 6000.0;
constexpr double kKeyFallDbPerS = 500.0; // bridges the zeros of a 70 Hz wave
constexpr double kLongestMs = 72.0;      // delay, margin of fractional delays and wait together
constexpr double kQ = 1.0;
constexpr std::size_t kWide = 8; // rows are as wide as an AVX2 register, or a multiple
constexpr float kUnlimited = 3.4028234663852886e38f;

// Comparisons on the bits, which order like the numbers as long as these are positive: a loop with a
// floating-point comparison is not made vector code.
std::int32_t bits_of(float x) noexcept { return std::bit_cast<std::int32_t>(x); }
float larger_of(float a, float b) noexcept { return std::bit_cast<float>(std::max(bits_of(a), bits_of(b))); }
float positive_part(float x) noexcept { return std::bit_cast<float>(bits_of(x) & ~(bits_of(x) >> 31)); }

float power_of(double db) noexcept { return static_cast<float>(power_from_db(db)); }

/// A row of mics: one step's samples into one low-passed sample each.
KITFOLD_VECTOR_CLONES void thin_out(const float* __restrict stage, std::size_t step, std::size_t stride,
                                    const float* __restrict now, const float* __restrict later,
                                    float* __restrict carry, float* __restrict low) {
    for (std::size_t m = 0; m < stride; ++m) low[m] = carry[m], carry[m] = 0.0f;
    for (std::size_t n = 0; n < step; ++n) {
        const float* __restrict in = stage + n * stride;
        const float a = now[n], b = later[n];
        for (std::size_t m = 0; m < stride; ++m) {
            const float x = finite_or_silence(in[m]);
            low[m] += a * x;
            carry[m] += b * x;
        }
    }
}

/// What responses make of the pasts of their sources, oldest first.
KITFOLD_VECTOR_CLONES float foretold_by(const ForetoldPath* path, std::size_t count, const float* past,
                                        const float* responses, std::size_t taps) {
    float part[kWide]{};
    for (std::size_t i = 0; i < count; ++i) {
        const float* __restrict x = past + path[i].past;
        const float* __restrict h = responses + path[i].response;
        for (std::size_t t = 0; t < taps; t += kWide)
            for (std::size_t k = 0; k < kWide; ++k) part[k] += x[t + k] * h[t + k];
    }
    return ((part[0] + part[4]) + (part[2] + part[6])) + ((part[1] + part[5]) + (part[3] + part[7]));
}

struct BandFilter {
    float a1, a2, a3, k;
};

/// Two band-passes, one after the other, and the power behind them.
KITFOLD_VECTOR_CLONES void pass_band(std::size_t stride, BandFilter f, const float* __restrict low,
                                     float* __restrict b1, float* __restrict l1, float* __restrict b2,
                                     float* __restrict l2, float* __restrict power) {
    for (std::size_t m = 0; m < stride; ++m) {
        const float v3 = low[m] - l1[m];
        const float x1 = f.a1 * b1[m] + f.a2 * v3, y1 = l1[m] + f.a2 * b1[m] + f.a3 * v3;
        b1[m] = x1 + x1 - b1[m], l1[m] = y1 + y1 - l1[m];
        const float w3 = f.k * x1 - l2[m];
        const float x2 = f.a1 * b2[m] + f.a2 * w3, y2 = l2[m] + f.a2 * b2[m] + f.a3 * w3;
        b2[m] = x2 + x2 - b2[m], l2[m] = y2 + y2 - l2[m];
        power[m] = f.k * x2 * (f.k * x2);
    }
}

/// What bleed explains of the power, what is left, what is held. The top band is followed no faster than this
/// one can rise, since a drum's stick would hide its own low bands otherwise. bleed: rows as below, from one
/// source to the next `apart` numbers.
struct BandRow {
    std::size_t stride, apart, sources;
    const std::size_t* source;
    const float *bleed, *noise, *weight, *wash, *top, *power;
    float *slow_top, *left, *held, *fresh;
};
/// Bleed of `wide` mics from c on, in registers.
template <std::size_t wide> [[gnu::always_inline]] inline void add_bleed(const BandRow& r, std::size_t c) {
    const float* __restrict noise = r.noise + c;
    const float* __restrict wash = r.wash + c;
    const float* __restrict top = r.slow_top + c;
    float x[wide];
    for (std::size_t k = 0; k < wide; ++k) x[k] = noise[k] + wash[k] * top[k];
    for (std::size_t i = 0; i < r.sources; ++i) {
        const float* __restrict bleed = r.bleed + r.source[i] * r.apart + c;
        const float h = r.held[r.source[i]];
        for (std::size_t k = 0; k < wide; ++k) x[k] += bleed[k] * h;
    }
    for (std::size_t k = 0; k < wide; ++k) r.left[c + k] = x[k];
}
KITFOLD_VECTOR_CLONES void explain_band(const BandRow& r, float hold, float follow) {
    const std::size_t stride = r.stride;
    float* __restrict left = r.left;
    float* __restrict held = r.held;
    const float* __restrict top = r.top;
    float* __restrict slow_top = r.slow_top;
    for (std::size_t m = 0; m < stride; ++m) slow_top[m] += follow * (top[m] - slow_top[m]);
    std::size_t c = 0;
    for (; c + 2 * kWide <= stride; c += 2 * kWide) add_bleed<2 * kWide>(r, c); // two sums don't wait
    if (c < stride) add_bleed<kWide>(r, c);
    const float* __restrict power = r.power;
    const float* __restrict weight = r.weight;
    float* __restrict fresh = r.fresh;
    for (std::size_t m = 0; m < stride; ++m) {
        const float u = positive_part(power[m] - left[m]);
        left[m] = u;
        held[m] = larger_of(u, hold * held[m]);
        fresh[m] += weight[m] * u;
    }
}

/// x = max(fall x, y)
KITFOLD_VECTOR_CLONES void hold_row(float* __restrict x, const float* __restrict y, float fall,
                                    std::size_t stride) {
    for (std::size_t m = 0; m < stride; ++m) x[m] = larger_of(fall * x[m], y[m]);
}

KITFOLD_VECTOR_CLONES void roots(const float* __restrict x, float* __restrict out, std::size_t stride) {
    for (std::size_t m = 0; m < stride; ++m) out[m] = std::sqrt(x[m]);
}

/// The signal, held to ±bound.
KITFOLD_VECTOR_CLONES void limit(const float* in, const float* __restrict bound, float* out,
                                 std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) {
        const std::int32_t x = bits_of(finite_or_silence(in[n])), most = bits_of(bound[n]);
        const std::int32_t size = x & 0x7FFFFFFF;
        out[n] = std::bit_cast<float>((size < most ? size : most) | (x & ~0x7FFFFFFF));
    }
}

/// What tap `j` of a response says of its place `k` at another rate.
double weight_of(std::size_t j, double from_hz, std::size_t k, double to_hz) noexcept {
    const double t = (static_cast<double>(k) * (from_hz / to_hz) - static_cast<double>(j)) * std::numbers::pi;
    return t == 0.0 ? 1.0 : std::fabs(from_hz - to_hz) < 1e-6 ? 0.0 : std::sin(t) / t;
}

} // namespace

void resample_response(std::span<const double> from, double from_hz, std::span<float> to,
                       double to_hz) noexcept {
    const double ratio = from_hz / to_hz;
    for (std::size_t k = 0; k < to.size(); ++k) {
        double sum = 0.0;
        for (std::size_t j = 0; j < from.size(); ++j) sum += from[j] * weight_of(j, from_hz, k, to_hz);
        to[k] = static_cast<float>(ratio * sum);
    }
}

bool KitKey::prepare(double rate_hz, std::size_t mics) {
    if (!rate_allowed(rate_hz) || mics == 0 || mics > kMaxMics) return false;
    rate_hz_ = rate_hz, mics_ = mics;
    const std::size_t row = (mics + kWide - 1) / kWide * kWide;
    step_ = std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(rate_hz / kStepsPerSecond)));
    const auto s = static_cast<float>(step_ * step_);
    for (std::size_t n = 0; n < step_; ++n) {
        now_[n] = static_cast<float>(step_ - n) / s; // triangle of two steps, sum 1
        later_[n] = static_cast<float>(n) / s;
    }
    stage_.assign(row * step_, 0.0f);
    for (auto* v : {&carry_, &raw_, &low_, &top_, &key_, &limit_, &fresh_}) v->assign(row, 0.0f);
    for (auto* v :
         {&band1_, &low1_, &band2_, &low2_, &power_, &left_, &held_, &noise_, &weight_, &wash_, &slow_top_})
        v->assign(kKeyBands * row, 0.0f);
    bleed_.assign(mics * kKeyBands * row, 0.0f);
    const auto taps = static_cast<std::size_t>(std::ceil(kResponseTaps * step_rate_hz() / kResponseHz));
    taps_ = std::min((taps + kWide - 1) / kWide * kWide, kMaxTaps);
    to_step_rate_.resize(kResponseTaps * taps_);
    for (std::size_t j = 0; j < kResponseTaps; ++j)
        for (std::size_t k = 0; k < taps_; ++k)
            to_step_rate_[j * taps_ + k] = weight_of(j, kResponseHz, k, step_rate_hz());
    past_.assign(row * 2 * taps_, 0.0f), responses_.assign(mics * mics * taps_, 0.0f);
    foretold_.reserve(mics * mics), foretold_mics_.reserve(mics);
    ring_ = std::bit_ceil(static_cast<std::size_t>(kLongestMs / 1000.0 * step_rate_hz()) + 2);
    lows_.assign(ring_ * row, 0.0f), limits_.assign(ring_ * row, 0.0f);
    delay_.assign(mics, 0), wait_.assign(mics, 0);
    bounds_.assign((kChunk / step_ + 2) * row, 0.0f), lengths_.assign(kChunk / step_ + 2, 0);
    hold_ = power_of(-kHoldDbPerS / step_rate_hz());
    fall_ = power_of(-kKeyFallDbPerS / step_rate_hz());
    make_filters();
    set({});
    reset();
    return true;
}

void KitKey::make_filters() noexcept {
    for (std::size_t b = 0; b < kKeyBands; ++b) {
        const auto s = Section::band_pass(step_rate_hz(), kKeyBandHz[b], kQ);
        const double d = 1.0 / (1.0 + s.g * (s.g + s.k));
        follow_[b] = static_cast<float>(
            -std::expm1(-std::numbers::pi * kKeyBandHz[b] / (kQ * step_rate_hz()))); // 2 Q / ω
        filter_[b] = {static_cast<float>(d), static_cast<float>(s.g * d), static_cast<float>(s.g * s.g * d),
                      static_cast<float>(s.k)};
    }
}

void KitKey::clear_levels() noexcept {
    for (auto* v : {&stage_, &carry_, &raw_, &low_, &band1_, &low1_, &band2_, &low2_, &power_, &left_, &held_,
                    &top_, &slow_top_, &key_, &limit_, &past_, &lows_, &limits_})
        std::fill(v->begin(), v->end(), 0.0f);
}

void KitKey::reset() noexcept {
    clear_levels();
    position_ = 0, write_ = 0, past_at_ = 0;
}

void KitKey::set(const KitKeyTable& table, std::span<const char> keyed) noexcept {
    const auto before = mic_;
    const auto count_before = count_;
    choose_mics(table, keyed);
    if (count_ != count_before || !std::equal(mic_.begin(), mic_.begin() + count_, before.begin()))
        clear_levels();
    set_bands(table);
    set_paths(table);
}

/// Those with a key, and from there on whoever explains one that takes part.
void KitKey::choose_mics(const KitKeyTable& table, std::span<const char> keyed) noexcept {
    std::array<bool, kMaxMics> takes_part{};
    for (std::size_t m = 0; m < mics_; ++m)
        takes_part[m] = keyed.empty() || (m < keyed.size() && keyed[m] != 0 && table.knows(m));
    for (bool more = !keyed.empty(); more;) {
        more = false;
        for (const auto& e : table.bleed)
            if (e.source < mics_ && e.mic < mics_ && takes_part[e.mic] && !takes_part[e.source])
                takes_part[e.source] = true, more = true;
    }
    count_ = 0;
    slot_.fill(kMaxMics);
    for (std::size_t m = 0; m < mics_; ++m)
        if (takes_part[m])
            slot_delay_[count_] = delay_[m], slot_wait_[count_] = wait_[m], slot_[m] = count_,
            mic_[count_++] = m;
    stride_ = std::max((count_ + kWide - 1) / kWide * kWide, kWide);
    for (std::size_t m = 0; m < mics_; ++m) known_[m] = table.knows(m) && takes_part[m];
    const auto listened = [&](std::size_t m) { return keyed.empty() || (m < keyed.size() && keyed[m] != 0); };
    band_used_.fill(keyed.empty());
    for (std::size_t m = 0; m < mics_; ++m)
        for (std::size_t b = 0; b < kKeyBands; ++b)
            if (known_[m] && listened(m) && table.mics[m].weight_db[b] != kOffDb) band_used_[b] = 1;
}

void KitKey::set_bands(const KitKeyTable& table) noexcept {
    for (auto* v : {&noise_, &weight_, &wash_}) std::fill(v->begin(), v->end(), 0.0f);
    for (std::size_t k = 0; k < count_; ++k) {
        if (mic_[k] >= table.mics.size()) continue;
        const auto& mic = table.mics[mic_[k]];
        for (std::size_t b = 0; b < kKeyBands; ++b) {
            noise_[b * stride_ + k] = power_of(mic.noise_db[b]);
            wash_[b * stride_ + k] = b + 1 < kKeyBands ? power_of(mic.wash_db[b]) : 0.0f;
            weight_[b * stride_ + k] = power_of(mic.weight_db[b] + mic.level_db);
        }
    }
}

void KitKey::set_paths(const KitKeyTable& table) noexcept {
    std::fill(bleed_.begin(), bleed_.end(), 0.0f);
    source_count_.fill(0);
    foretold_.clear();
    for (const auto& e : table.bleed) {
        if (e.source >= mics_ || e.mic >= mics_ || e.source == e.mic) continue;
        const std::size_t from = slot_[e.source], to = slot_[e.mic];
        if (from == kMaxMics || to == kMaxMics) continue;
        for (std::size_t b = 0; b < kKeyBands; ++b) {
            if (e.gain_db[b] == kOffDb) continue;
            bleed_[(from * kKeyBands + b) * stride_ + to] = power_of(e.gain_db[b]);
            const auto end = sources_[b].begin() + source_count_[b];
            if (std::find(sources_[b].begin(), end, from) == end) sources_[b][source_count_[b]++] = from;
        }
        if (e.response.size() != kResponseTaps || foretold_.size() == foretold_.capacity()) continue;
        const std::size_t at = foretold_.size() * taps_;
        const std::span taps(&responses_[at], taps_);
        put_response(e.response, taps);
        foretold_.push_back({to, from * 2 * taps_, at});
    }
    std::sort(foretold_.begin(), foretold_.end(),
              [](auto& a, auto& b) { return a.to != b.to ? a.to < b.to : a.past < b.past; });
    foretold_mics_.clear();
    for (std::size_t i = 0; i < foretold_.size(); ++i) {
        if (i == 0 || foretold_[i].to != foretold_[i - 1].to)
            foretold_mics_.push_back({foretold_[i].to, i, 0});
        ++foretold_mics_.back().paths;
    }
}

/// As resample_response() would, without a sine for the audio thread; the newest tap first.
void KitKey::put_response(std::span<const double> response, std::span<float> taps) const noexcept {
    std::array<double, kMaxTaps> sums{};
    for (std::size_t j = 0; j < kResponseTaps; ++j)
        for (std::size_t k = 0; k < taps_; ++k) sums[k] += response[j] * to_step_rate_[j * taps_ + k];
    for (std::size_t k = 0; k < taps_; ++k)
        taps[taps_ - 1 - k] = static_cast<float>(kResponseHz / step_rate_hz() * sums[k]);
}

void KitKey::set_delay(std::size_t mic, double delay_ms, double key_wait_ms) noexcept {
    const auto steps = [this](double ms) { // rather early than late
        return std::min(static_cast<std::size_t>(std::max(0.0, ms) / 1000.0 * step_rate_hz()), ring_ - 1);
    };
    delay_[mic] = steps(delay_ms), wait_[mic] = steps(key_wait_ms);
    if (slot_[mic] < kMaxMics) slot_delay_[slot_[mic]] = delay_[mic], slot_wait_[slot_[mic]] = wait_[mic];
}

float KitKey::low(const float* samples, float& carry) const noexcept {
    float sum = carry, next = 0.0f;
    for (std::size_t n = 0; n < step_; ++n) {
        const float x = finite_or_silence(samples[n]);
        sum += now_[n] * x;
        next += later_[n] * x;
    }
    carry = next;
    return sum;
}

/// Takes off raw_ what the others foretell of it, from the waveforms as they came in.
void KitKey::foretell() noexcept {
    const std::size_t at = past_at_;
    past_at_ = at + 1 == taps_ ? 0 : at + 1; // now the oldest
    for (std::size_t k = 0; k < count_; ++k)
        past_[k * 2 * taps_ + at] = past_[k * 2 * taps_ + at + taps_] = raw_[k];
    for (const auto& mic : foretold_mics_)
        raw_[mic.slot] -=
            foretold_by(&foretold_[mic.first], mic.paths, &past_[past_at_], responses_.data(), taps_);
}

void KitKey::advance(const float* lows) noexcept {
    advance_waveforms(lows);
    set_levels();
}

void KitKey::advance_waveforms(const float* lows) noexcept {
    if (lows != raw_.data()) std::copy_n(lows, count_, raw_.begin());
    if (!foretold_.empty()) foretell();
    std::copy_n(raw_.begin(), stride_, &lows_[write_ * stride_]);
    for (std::size_t k = 0; k < count_; ++k)
        low_[k] = lows_[((write_ - slot_delay_[k]) & (ring_ - 1)) * stride_ + k];
    write_ = (write_ + 1) & (ring_ - 1);
}

void KitKey::advance_past_waveforms(const float* waves) noexcept {
    std::copy_n(waves, count_, low_.begin());
    set_levels();
}

/// From low_.
void KitKey::set_levels() noexcept {
    std::fill(fresh_.begin(), fresh_.end(), 0.0f);
    for (std::size_t b = kKeyBands; b-- > 0;) { // the top band first
        const std::size_t row = b * stride_;
        const bool top = b + 1 == kKeyBands;
        if (!band_used_[b] && !top) continue;
        const auto& f = filter_[b];
        pass_band(stride_, {f.a1, f.a2, f.a3, f.k}, low_.data(), &band1_[row], &low1_[row], &band2_[row],
                  &low2_[row], &power_[row]);
        if (band_used_[b])
            explain_band({stride_, kKeyBands * stride_, source_count_[b], sources_[b].data(), &bleed_[row],
                          &noise_[row], &weight_[row], &wash_[row], top_.data(), &power_[row],
                          &slow_top_[row], &left_[row], &held_[row], fresh_.data()},
                         hold_, follow_[b]);
        if (top) hold_row(top_.data(), &power_[row], hold_, stride_);
    }
    hold_row(key_.data(), fresh_.data(), fall_, stride_);
}

void KitKey::end_step() noexcept {
    thin_out(stage_.data(), step_, stride_, now_.data(), later_.data(), carry_.data(), raw_.data());
    const std::size_t at = write_;
    advance(raw_.data());
    roots(key_.data(), &limits_[at * stride_], stride_);
    for (std::size_t k = 0; k < count_; ++k)
        limit_[k] = limits_[((at - slot_wait_[k]) & (ring_ - 1)) * stride_ + k];
}

void KitKey::write_key(const float* signal, std::size_t mic, std::size_t segments, float* key,
                       std::size_t frames) noexcept {
    float* bound = bound_.data();
    for (std::size_t s = 0; s < segments; ++s)
        bound = std::fill_n(bound, lengths_[s], known_[mic] ? bounds_[s * stride_ + slot_[mic]] : kUnlimited);
    limit(signal, bound_.data(), key, frames);
}

void KitKey::chunk(const float* const* inputs, const float* const* signals, float* const* keys,
                   std::size_t at, std::size_t frames) noexcept {
    const float* in[kMaxMics];
    for (std::size_t k = 0; k < count_; ++k) in[k] = inputs[mic_[k]] + at;
    std::size_t segments = 0;
    for (std::size_t n = 0; n < frames; ++segments) {
        const std::size_t count = std::min(frames - n, step_ - position_);
        for (std::size_t i = 0; i < count; ++i) {
            float* to = &stage_[(position_ + i) * stride_];
            for (std::size_t k = 0; k < count_; ++k) to[k] = in[k][n + i];
        }
        std::copy_n(limit_.begin(), stride_, &bounds_[segments * stride_]);
        lengths_[segments] = count;
        n += count, position_ += count;
        if (position_ == step_) end_step(), position_ = 0;
    }
    for (std::size_t m = 0; m < mics_; ++m)
        if (keys[m] != nullptr) write_key(signals[m] + at, m, segments, keys[m] + at, frames);
}

void KitKey::process(const float* const* inputs, const float* const* signals, float* const* keys,
                     std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames; at += kChunk)
        chunk(inputs, signals, keys, at, std::min(kChunk, frames - at));
}

} // namespace kitfold::dsp
