#include "sum/learner.h"
#include "hits/hits.h"
#include "sum/values.h"

namespace kitfold::plugins {
namespace {

/// The mics of a take that carry a signal; an LV2 host leaves inputs empty.
std::vector<std::size_t> audible(const dsp::Take& take) {
    std::vector<std::size_t> out;
    std::vector<float> block(1u << 14);
    for (std::size_t m = 0; m < take.mics.size(); ++m)
        for (std::int64_t at = 0; at < take.length; at += std::ssize(block)) {
            take.read(m, at, block);
            if (std::all_of(block.begin(), block.end(), [](float x) { return x == 0.0f; })) continue;
            out.push_back(m);
            break;
        }
    return out;
}

dsp::Take part_of(const dsp::Take& take, const std::vector<std::size_t>& mics) {
    auto part = take;
    part.mics.clear();
    for (const auto m : mics) part.mics.push_back(take.mics[m]);
    part.read = [read = take.read, mics](std::size_t m, std::int64_t start, std::span<float> out) {
        read(mics[m], start, out);
    };
    return part;
}

/// The same with other numbers for the mics. Ends with the last mic of them.
dsp::LearnedKitKey renumbered(dsp::LearnedKitKey learned, std::span<const std::size_t> mics) {
    dsp::KitKeyTable::Mic unknown;
    unknown.weight_db.fill(dsp::kOffDb), unknown.noise_db.fill(dsp::kOffDb);
    unknown.wash_db.fill(dsp::kOffDb);
    std::vector<dsp::KitKeyTable::Mic> all(mics.empty() ? 0 : mics.back() + 1, unknown);
    for (std::size_t m = 0; m < learned.table.mics.size(); ++m) all[mics[m]] = learned.table.mics[m];
    learned.table.mics = std::move(all);
    for (auto& path : learned.table.bleed) path.source = mics[path.source], path.mic = mics[path.mic];
    for (auto& p : learned.proposals) p.mic = mics[p.mic];
    return learned;
}

} // namespace

void KitLearner::prepare(double rate_hz, std::vector<std::size_t> mics) {
    const std::lock_guard lock(mutex_);
    if (phase_ != Phase::measuring) recorder_.clear();
    if (phase_ == Phase::listening) phase_ = Phase::idle;
    rate_hz_ = rate_hz, mics_ = std::move(mics);
}

void KitLearner::hear(std::span<const float* const> in, std::size_t frames) noexcept {
    if (!recorder_.recording()) return;
    std::array<const float*, kSumMics> heard{};
    for (std::size_t i = 0; i < mics_.size(); ++i) heard[i] = in[mics_[i]];
    recorder_.record(heard.data(), frames);
}

// A host may call back while a control moves, so nothing is locked then.
void KitLearner::run() {
    const auto outcome = next_step();
    if (outcome.learn_off) plugin_.set_control(sum_values::learn_at(), 0.0);
    for (const auto& p : outcome.proposals)
        if (plugin_.setting(sum_values::gate_at(p.mic)) != static_cast<double>(SumGate::own))
            plugin_.set_control(sum_values::gate_control_at(p.mic, &dsp::GateSettings::threshold_db),
                                p.threshold_db);
    show();
}

KitLearner::Outcome KitLearner::next_step() {
    const std::lock_guard lock(mutex_);
    const bool on = plugin_.setting(sum_values::learn_at()) != 0.0;
    if (phase_ == Phase::measuring) return {false, finish()};
    if (phase_ == Phase::idle) {
        if (on && rate_hz_ > 0.0 && !mics_.empty() && !recorder_.recording()) listen();
        return {on && state_ == KitLearning::no_memory, {}};
    }
    heard_s_ = recorder_.seconds();
    if (plugin_.groups() != groups_) {
        recorder_.stop();
        phase_ = Phase::idle, state_ = KitLearning::nothing_yet;
        return {};
    }
    if (on && recorder_.recording() && keep_room()) return {};
    recorder_.stop();
    if (recorder_.recording()) return {}; // until the audio thread has seen it
    measure();
    return {on, {}};
}

bool KitLearner::keep_room() noexcept {
    try {
        recorder_.grow();
        return true;
    } catch (const std::bad_alloc&) { // then what has been heard has to do
        return false;
    }
}

void KitLearner::listen() {
    state_ = KitLearning::no_memory, heard_s_ = 0.0;
    try {
        if (!recorder_.prepare(rate_hz_, mics_.size(), kSeconds)) return;
    } catch (const std::bad_alloc&) {
        recorder_.clear();
        return;
    }
    groups_ = plugin_.groups(), version_ = memory_.version();
    recorder_.start();
    phase_ = Phase::listening, state_ = KitLearning::listening;
}

dsp::TakeMic KitLearner::take_mic(std::size_t mic, const std::string& name) const {
    dsp::MicSettings settings;
    for (std::size_t i = 0; const auto& field : dsp::fields<dsp::MicSettings>())
        field.put(settings, plugin_.setting(sum_values::mics_at() + mic * sum_values::mic_fields() + i++));
    return {name, settings.role, settings.level_db, settings.polarity == dsp::Polarity::inverted,
            settings.delay_ms};
}

void KitLearner::measure() {
    phase_ = Phase::measuring, state_ = KitLearning::measuring;
    learned_.reset();
    std::vector<dsp::TakeMic> mics;
    const auto names = memory_.names();
    for (const auto m : mics_) mics.push_back(take_mic(m, names[m]));
    measurement_.start([this, take = recorder_.take(std::move(mics)), numbers = mics_] {
        try {
            fit(take, numbers);
        } catch (const std::exception&) { // no memory: as if nothing had been heard
        }
    });
}

void KitLearner::fit(const dsp::Take& take, std::span<const std::size_t> mics) {
    const auto heard = audible(take);
    std::vector<std::size_t> numbers;
    for (const auto m : heard) numbers.push_back(mics[m]);
    const auto part = part_of(take, heard);
    if (heard.empty() || part.length == 0) return;
    learned_ = renumbered(dsp::learn_kit_key(part, dsp::find_hits(part)), numbers);
}

/// What was learned, when it is there and still wanted.
std::vector<dsp::KitKeyProposal> KitLearner::finish() {
    if (!measurement_.done()) return {};
    recorder_.clear();
    phase_ = Phase::idle, state_ = KitLearning::nothing_yet;
    if (plugin_.groups() != groups_) return {};
    state_ = learned_ && learned_->proposals.empty() ? KitLearning::no_roles : KitLearning::too_few_hits;
    auto proposals = learned_ ? learned_->proposals : std::vector<dsp::KitKeyProposal>{};
    std::erase_if(proposals, [](const auto& p) { return !p.why_not.empty(); });
    if (proposals.empty()) return {};
    state_ = KitLearning::nothing_yet;
    if (!memory_.learned(learned_->table, version_)) return {};
    state_ = KitLearning::learned;
    margin_db_ = std::min_element(proposals.begin(), proposals.end(), [](const auto& a, const auto& b) {
                     return a.margin_db < b.margin_db;
                 })->margin_db;
    return proposals;
}

void KitLearner::show() {
    const auto open = open_.exchange(0, std::memory_order_relaxed);
    const std::lock_guard lock(mutex_);
    plugin_.set_meter(0, memory_.known());
    plugin_.set_meter(1, static_cast<double>(state_));
    plugin_.set_meter(2, heard_s_);
    plugin_.set_meter(3, margin_db_);
    for (std::size_t m = 0; m < kSumMics; ++m)
        plugin_.set_meter(4 + m, static_cast<double>(gate_state(m, open)));
}

SumGateState KitLearner::gate_state(std::size_t mic, std::uint32_t open) const {
    const double gate = plugin_.setting(sum_values::gate_at(mic));
    const bool is_open = (open >> mic & 1u) != 0;
    const bool keyed = (kit_keyed_.load(std::memory_order_relaxed) >> mic & 1u) != 0;
    if (gate == static_cast<double>(SumGate::off)) return SumGateState::off;
    if (gate == static_cast<double>(SumGate::kit) && !keyed)
        return is_open ? SumGateState::plain_open : SumGateState::plain_shut;
    return is_open ? SumGateState::open : SumGateState::shut;
}

} // namespace kitfold::plugins
