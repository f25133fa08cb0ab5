#include "mix/sum.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

bool Sum::prepare(double rate_hz, std::size_t mics, Isa isa) {
    const std::vector<double> rooms(std::min(mics, kMostMics + 1),
                                    MicDelays::kMostDelayMs + MicDelays::kMostLookaheadMs);
    if (!delays_.prepare(rate_hz, rooms) || !mix_.prepare(rate_hz, mics)) return false;
    if (!kit_key_.prepare(rate_hz, mics)) return false;
    rate_hz_ = rate_hz;
    work_.assign(mics * kChunk, 0.0f), keys_.assign(mics * kChunk, 0.0f);
    rows_.clear();
    for (std::size_t m = 0; m < mics; ++m) rows_.push_back(work_.data() + m * kChunk);
    key_rows_.assign(mics, nullptr);
    settings_.assign(mics, {}), gates_.assign(mics, std::nullopt);
    most_lookahead_ = 0, any_kit_key_ = false, table_changed_ = true, keyed_ = {};
    make_groups(rate_hz, mics, isa);
    delays_.settle();
    return true;
}

void Sum::make_groups(double rate_hz, std::size_t mics, Isa isa) {
    groups_.clear();
    for (std::size_t at = 0; at < mics;) {
        auto& g = groups_.emplace_back();
        g.strip = make_lane_strip(isa, mics - at);
        g.first = at, g.mics = std::min(g.strip->width(), mics - at);
        (void)g.strip->prepare(rate_hz, {.kick = false, .gate = true}, MicDelays::kMostLookaheadMs);
        at += g.mics;
    }
}

void Sum::reset() noexcept {
    delays_.reset(), mix_.reset(), kit_key_.reset();
    for (auto& g : groups_) {
        g.strip->reset();
        g.running = std::any_of(gates_.begin() + static_cast<std::ptrdiff_t>(g.first),
                                gates_.begin() + static_cast<std::ptrdiff_t>(g.first + g.mics),
                                [](auto& gate) { return gate.has_value(); });
    }
}

const Parameter* Sum::set(std::size_t mic, const MicSettings& settings) noexcept {
    if (const auto* refused = mix_.set(mic, settings)) return refused;
    settings_[mic] = settings;
    return nullptr;
}

const Parameter* Sum::set(const SumSettings& settings) noexcept { return mix_.set(settings); }

const Parameter* Sum::set_gate(std::size_t mic, const std::optional<GateSettings>& gate) noexcept {
    if (gate)
        if (const auto* refused = first_refused(*gate)) return refused;
    if (gates_[mic] == gate) return nullptr;
    gates_[mic] = gate;
    for (auto& g : groups_) {
        if (mic < g.first || mic >= g.first + g.mics) continue;
        g.strip->set(mic - g.first, nullptr, gate ? &*gate : nullptr);
        g.running = g.running || gate.has_value();
    }
    return nullptr;
}

std::size_t Sum::lookahead(std::size_t mic) const noexcept {
    const auto& gate = gates_[mic];
    return gate ? static_cast<std::size_t>(std::lround(gate->lookahead_ms * rate_hz_ / 1000.0)) : 0;
}

bool Sum::wants_kit(std::size_t mic) const noexcept {
    return gates_[mic] && gates_[mic]->key == GateKey::kit && table_ != nullptr && table_->knows(mic);
}

void Sum::settle() noexcept {
    most_lookahead_ = 0;
    for (std::size_t m = 0; m < rows_.size(); ++m) most_lookahead_ = std::max(most_lookahead_, lookahead(m));
    for (std::size_t m = 0; m < rows_.size(); ++m) // a gate's look-ahead makes its mic late: the others wait
        delays_.set(m, settings_[m].delay_ms, settings_[m].polarity, most_lookahead_ - lookahead(m));
    delays_.settle(), mix_.settle();
    settle_keys();
}

void Sum::settle_keys() noexcept {
    std::array<char, kMostMics> keyed{};
    any_kit_key_ = false;
    for (std::size_t m = 0; m < rows_.size(); ++m) {
        const auto late = most_lookahead_ - lookahead(m) + delays_.latency();
        kit_key_.set_delay(m, settings_[m].delay_ms, static_cast<double>(late) * 1000.0 / rate_hz_);
        keyed[m] = wants_kit(m);
        any_kit_key_ = any_kit_key_ || keyed[m] != 0;
        key_rows_[m] = keyed[m] != 0 ? keys_.data() + m * kChunk : nullptr;
    }
    if ((keyed != keyed_ || table_changed_) && any_kit_key_)
        kit_key_.set(*table_, {keyed.data(), rows_.size()});
    keyed_ = keyed, table_changed_ = table_changed_ && !any_kit_key_;
}

double Sum::gate_open_samples(std::size_t mic) const noexcept {
    for (const auto& g : groups_)
        if (mic >= g.first && mic < g.first + g.mics) return g.strip->gate_open_samples(mic - g.first);
    return 0.0;
}

void Sum::gate(const float* const* mics, std::size_t at, std::size_t frames) noexcept {
    if (any_kit_key_) {
        const float* inputs[kMostMics];
        for (std::size_t m = 0; m < rows_.size(); ++m) inputs[m] = mics[m] + at;
        kit_key_.process(inputs, rows_.data(), key_rows_.data(), frames);
    }
    for (auto& g : groups_)
        if (g.running)
            g.strip->process(&rows_[g.first], any_kit_key_ ? &key_rows_[g.first] : nullptr, g.mics, frames);
}

void Sum::process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const std::size_t count = std::min(kChunk, frames - at);
        for (std::size_t m = 0; m < rows_.size(); ++m) delays_.process(m, mics[m] + at, rows_[m], count);
        gate(mics, at, count);
        mix_.process(rows_.data(), left + at, right + at, count);
    }
}

} // namespace kitfold::dsp
