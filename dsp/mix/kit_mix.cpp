#include "mix/kit_mix.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <array>
#include <bit>
#include <cstdint>
#include <stdexcept>

namespace kitfold::dsp {
namespace {

std::size_t lookahead_samples(const MicStrip& s, double rate_hz) noexcept {
    return s.gate ? static_cast<std::size_t>(std::lround(s.gate->lookahead_ms * rate_hz / 1000.0)) : 0;
}

const Parameter* refused_by(const MicStrip& s) noexcept {
    const Parameter* refused = first_refused(s.mix);
    if (refused == nullptr && s.kick) refused = first_refused(*s.kick);
    if (refused == nullptr && s.gate) refused = first_refused(*s.gate);
    if (refused == nullptr && s.damp) refused = first_refused(*s.damp);
    return refused;
}

const Parameter* first_refused_of(std::span<const MicStrip> strips, const SumSettings& sum,
                                  const std::optional<BusSettings>& bus) noexcept {
    for (const auto& s : strips)
        if (const auto* refused = refused_by(s)) return refused;
    if (const auto* refused = first_refused(sum)) return refused;
    return bus ? first_refused(*bus) : nullptr;
}

/// A bus compressor that gives out exactly what it takes in.
BusSettings neutral_bus() noexcept { return {.ratio = 1.0, .blend = 0.0}; }

/// The largest |x| that is finite. Positive floats order like their bits, and whole numbers have a vector
/// maximum.
KITFOLD_VECTOR_CLONES float largest(const float* x, std::size_t frames, float so_far) {
    constexpr std::int32_t kInfinityBits = 0x7F800000;
    auto most = std::bit_cast<std::int32_t>(so_far);
    for (std::size_t n = 0; n < frames; ++n) {
        const auto bits = std::bit_cast<std::int32_t>(x[n]) & 0x7FFFFFFF;
        const auto finite = bits < kInfinityBits ? bits : 0;
        most = finite > most ? finite : most;
    }
    return std::bit_cast<float>(most);
}

KITFOLD_VECTOR_CLONES void apply_gain(float* x, double gain, std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) x[n] = static_cast<float>(gain * x[n]);
}

} // namespace

const Parameter* KitMix::prepare(double rate_hz, std::span<const MicStrip> strips, const SumSettings& sum,
                                 const std::optional<BusSettings>& bus, double output_level_db, Isa isa,
                                 const KitKeyTable& table) {
    if (!rate_allowed(rate_hz)) throw std::invalid_argument("rate out of range: 8000 to 384000 Hz");
    if (strips.empty() || strips.size() > PanMix::kMaxMics) throw std::invalid_argument("1 to 32 mics");
    if (const auto* no = first_refused_of(strips, sum, bus)) return no;
    moves_ = false;
    strips_.assign(strips.begin(), strips.end());
    has_bus_ = bus.has_value();
    make(rate_hz, sum, table, isa);
    if (bus) (void)bus_.prepare(rate_hz), (void)bus_.set(*bus);
    output_ = {gain_from_db(output_level_db), gain_from_db(output_level_db), 0};
    return nullptr;
}

const Parameter* KitMix::prepare_to_move(double rate_hz, const MixSettings& s, Isa isa) {
    if (!rate_allowed(rate_hz)) throw std::invalid_argument("rate out of range: 8000 to 384000 Hz");
    if (s.strips.empty() || s.strips.size() > PanMix::kMaxMics) throw std::invalid_argument("1 to 32 mics");
    if (const auto* no = refused(s)) return no;
    moves_ = true;
    strips_ = s.strips;
    has_bus_ = s.bus.has_value();
    make(rate_hz, s.sum, s.table, isa);
    (void)bus_.prepare(rate_hz), (void)bus_.set(s.bus.value_or(neutral_bus()));
    output_ = {gain_from_db(s.output_level_db), gain_from_db(s.output_level_db), 0};
    return nullptr;
}

const Parameter* KitMix::refused(const MixSettings& s) noexcept {
    return first_refused_of(s.strips, s.sum, s.bus);
}

void KitMix::make(double rate_hz, const SumSettings& sum, const KitKeyTable& table, Isa isa) {
    rate_hz_ = rate_hz;
    (void)delays_.prepare(rate_hz, delay_rooms());
    (void)mix_.prepare(rate_hz, strips_.size());
    (void)mix_.set(sum);
    (void)kit_key_.prepare(rate_hz, strips_.size());
    make_groups(isa);
    make_damp_groups(isa);
    keys_.assign(strips_.size() * kChunk, 0.0f);
    key_rows_.assign(strips_.size(), nullptr);
    peaks_.assign(strips_.size(), 0.0);
    work_.assign(strips_.size() * kChunk, 0.0f);
    work_rows_.clear();
    for (std::size_t m = 0; m < strips_.size(); ++m) work_rows_.push_back(work_.data() + m * kChunk);
    frames_ = 0.0;
    set_blocks();
    set_delays();
    set_keys(table);
}

void KitMix::set(const MixSettings& s) noexcept {
    std::copy_n(s.strips.begin(), strips_.size(), strips_.begin());
    (void)mix_.set(s.sum);
    set_blocks();
    set_delays();
    set_keys(s.table);
    has_bus_ = s.bus.has_value();
    (void)bus_.set(s.bus.value_or(neutral_bus()));
    output_.to = gain_from_db(s.output_level_db);
    if (output_.to != output_.now)
        output_.left = static_cast<std::size_t>(std::lround(rate_hz_ * kMoveMs / 1000.0));
}

/// ms, one per mic.
std::vector<double> KitMix::delay_rooms() const {
    if (moves_)
        return std::vector<double>(strips_.size(), MicDelays::kMostDelayMs + MicDelays::kMostLookaheadMs);
    std::size_t most_lookahead = 0;
    for (const auto& s : strips_) most_lookahead = std::max(most_lookahead, lookahead_samples(s, rate_hz_));
    std::vector<double> rooms;
    for (const auto& s : strips_)
        rooms.push_back(s.mix.delay_ms + static_cast<double>(most_lookahead) * 1000.0 / rate_hz_);
    return rooms;
}

StripBlocks KitMix::blocks_of(std::size_t mic) const noexcept {
    return {moves_ || strips_[mic].kick, moves_ || strips_[mic].gate};
}

void KitMix::make_groups(Isa isa) {
    std::vector<std::size_t> order; // mics with the same blocks side by side
    for (std::size_t m = 0; m < strips_.size(); ++m)
        if (const auto b = blocks_of(m); b.kick || b.gate) order.push_back(m);
    const auto rank = [&](std::size_t m) { return 2 * blocks_of(m).gate + blocks_of(m).kick; };
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return rank(a) > rank(b); });

    groups_.clear();
    for (std::size_t at = 0; at < order.size();) {
        auto& g = groups_.emplace_back();
        g.strip = make_lane_strip(isa, order.size() - at);
        double lookahead_ms = moves_ ? MicDelays::kMostLookaheadMs : 0.0;
        for (; at < order.size() && g.mics.size() < g.strip->width(); ++at) {
            const auto b = blocks_of(order[at]);
            g.blocks = {g.blocks.kick || b.kick, g.blocks.gate || b.gate};
            g.mics.push_back(order[at]);
            if (const auto& gate = strips_[order[at]].gate)
                lookahead_ms = std::max(lookahead_ms, gate->lookahead_ms);
        }
        (void)g.strip->prepare(rate_hz_, g.blocks, lookahead_ms);
    }
    place_.assign(strips_.size(), {nullptr, 0});
    for (auto& g : groups_)
        for (std::size_t k = 0; k < g.mics.size(); ++k) place_[g.mics[k]] = {&g, k};
}

void KitMix::make_damp_groups(Isa isa) {
    std::vector<std::size_t> damped;
    for (std::size_t m = 0; m < strips_.size(); ++m)
        if (moves_ || strips_[m].damp) damped.push_back(m);
    damp_groups_.clear();
    for (std::size_t at = 0; at < damped.size();) {
        auto& g = damp_groups_.emplace_back();
        g.damp = make_lane_damp(isa, damped.size() - at);
        (void)g.damp->prepare(rate_hz_);
        for (; at < damped.size() && g.mics.size() < g.damp->width(); ++at) g.mics.push_back(damped[at]);
    }
}

void KitMix::set_blocks() noexcept {
    for (auto& g : groups_)
        for (std::size_t k = 0; k < g.mics.size(); ++k) {
            const auto& s = strips_[g.mics[k]];
            g.strip->set(k, s.kick ? &*s.kick : nullptr, s.gate ? &*s.gate : nullptr);
        }
    for (auto& g : damp_groups_)
        for (std::size_t k = 0; k < g.mics.size(); ++k)
            g.damp->set(k, strips_[g.mics[k]].damp.value_or(DampSettings{}));
}

void KitMix::set_delays() noexcept {
    std::size_t most_lookahead = 0;
    for (const auto& s : strips_) most_lookahead = std::max(most_lookahead, lookahead_samples(s, rate_hz_));
    for (std::size_t m = 0; m < strips_.size(); ++m) {
        const auto& s = strips_[m];
        // a gate's look-ahead makes its mic late: the others wait for it
        delays_.set(m, s.mix.delay_ms, s.mix.polarity, most_lookahead - lookahead_samples(s, rate_hz_));
        (void)mix_.set(m, s.mix);
    }
    delays_.settle();
    mix_.settle();
    latency_ = most_lookahead + delays_.latency();
}

void KitMix::set_keys(const KitKeyTable& table) noexcept {
    std::array<char, PanMix::kMaxMics> keyed{};
    has_kit_key_ = false;
    for (std::size_t m = 0; m < strips_.size(); ++m) {
        const auto& s = strips_[m];
        const auto late = latency_ - lookahead_samples(s, rate_hz_);
        kit_key_.set_delay(m, s.mix.delay_ms, static_cast<double>(late) * 1000.0 / rate_hz_);
        keyed[m] = s.gate && s.gate->key == GateKey::kit && table.knows(m);
        has_kit_key_ = has_kit_key_ || keyed[m] != 0;
        key_rows_[m] = keyed[m] != 0 ? keys_.data() + m * kChunk : nullptr;
    }
    if (has_kit_key_) kit_key_.set(table, {keyed.data(), strips_.size()});
}

void KitMix::reset() noexcept {
    delays_.reset(), kit_key_.reset(), mix_.reset(), bus_.reset();
    for (auto& g : groups_) g.strip->reset();
    for (auto& g : damp_groups_) g.damp->reset();
    output_ = {output_.to, output_.to, 0};
    std::fill(peaks_.begin(), peaks_.end(), 0.0);
    frames_ = 0.0;
}

double KitMix::gate_open(std::size_t mic) const noexcept {
    if (!strips_[mic].gate) return 1.0;
    return frames_ > 0.0 ? gate_open_samples(mic) / frames_ : 0.0;
}

double KitMix::gate_open_samples(std::size_t mic) const noexcept {
    const auto& [group, lane] = place_[mic];
    return strips_[mic].gate ? group->strip->gate_open_samples(lane) : 0.0;
}

void KitMix::process(const float* const* mics, float* left, float* right, std::size_t frames,
                     float* const* stems) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const std::size_t count = std::min(kChunk, frames - at);
        const float* in[PanMix::kMaxMics];
        for (std::size_t m = 0; m < strips_.size(); ++m) in[m] = mics[m] + at;
        shape(in, work_rows_.data(), count);
        damp(work_rows_.data(), count);
        if (stems != nullptr)
            for (std::size_t m = 0; m < strips_.size(); ++m) std::copy_n(work_rows_[m], count, stems[m] + at);
        sum(work_rows_.data(), left + at, right + at, count);
    }
}

void KitMix::shape(float* const* mics, std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const std::size_t count = std::min(kChunk, frames - at);
        const float* in[PanMix::kMaxMics];
        float* out[PanMix::kMaxMics];
        for (std::size_t m = 0; m < strips_.size(); ++m) {
            in[m] = out[m] = mics[m] + at;
            if (!has_kit_key_) continue;
            std::copy_n(out[m], count, work_rows_[m]); // the key needs what came in as well
            in[m] = work_rows_[m];
        }
        shape(in, out, count);
    }
}

void KitMix::finish(float* const* mics, float* left, float* right, std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const std::size_t count = std::min(kChunk, frames - at);
        float* rows[PanMix::kMaxMics];
        for (std::size_t m = 0; m < strips_.size(); ++m) rows[m] = mics[m] + at;
        damp(rows, count);
        sum(rows, left + at, right + at, count);
    }
}

void KitMix::shape(const float* const* in, float* const* out, std::size_t frames) noexcept {
    for (std::size_t m = 0; m < strips_.size(); ++m) delays_.process(m, in[m], out[m], frames);
    if (has_kit_key_) kit_key_.process(in, out, key_rows_.data(), frames);
    for (auto& g : groups_) {
        float* rows[16];
        const float* keys[16];
        bool any_key = false;
        for (std::size_t k = 0; k < g.mics.size(); ++k) {
            rows[k] = out[g.mics[k]], keys[k] = key_rows_[g.mics[k]];
            any_key = any_key || keys[k] != nullptr;
        }
        g.strip->process(rows, any_key ? keys : nullptr, g.mics.size(), frames);
    }
}

void KitMix::damp(float* const* mics, std::size_t frames) noexcept {
    for (auto& g : damp_groups_) {
        float* rows[16];
        for (std::size_t k = 0; k < g.mics.size(); ++k) rows[k] = mics[g.mics[k]];
        g.damp->process(rows, g.mics.size(), frames);
    }
}

void KitMix::sum(const float* const* mics, float* left, float* right, std::size_t frames) noexcept {
    for (std::size_t m = 0; m < strips_.size(); ++m)
        peaks_[m] = static_cast<double>(largest(mics[m], frames, static_cast<float>(peaks_[m])));
    mix_.process(mics, left, right, frames);
    if (has_bus_ || moves_) bus_.process(left, right, left, right, left, right, frames);
    scale_output(left, right, frames);
    frames_ += static_cast<double>(frames);
}

void KitMix::scale_output(float* left, float* right, std::size_t frames) noexcept {
    std::size_t n = 0;
    for (; n < frames && output_.left > 0; ++n) {
        output_.now += (output_.to - output_.now) / static_cast<double>(output_.left--);
        left[n] = static_cast<float>(output_.now * left[n]);
        right[n] = static_cast<float>(output_.now * right[n]);
    }
    if (output_.now != 1.0)
        apply_gain(left + n, output_.now, frames - n), apply_gain(right + n, output_.now, frames - n);
}

} // namespace kitfold::dsp
