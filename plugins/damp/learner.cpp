#include "damp/learner.h"
#include "damp/values.h"

namespace kitfold::plugins {
namespace {

constexpr int kCallsPerCount = 10;   // twice a second
constexpr double kRingSeconds = 0.5; // that a hit should have before the next

/// A ring comes back alike with every hit; a noise that dies away, in which tones can be found as well, does
/// not.
bool rings_alike(const dsp::RingResult& ring) {
    constexpr double kStrongDb = -6.0, kAlike = 0.1;
    return std::any_of(ring.partials.begin(), ring.partials.end(), [&](const dsp::RingPartial& p) {
        return p.level_db > kStrongDb && p.spread < kAlike && 4 * p.hits >= 3 * ring.hits;
    });
}

} // namespace

void Learner::prepare(double rate_hz) {
    const std::lock_guard lock(mutex_);
    if (rate_hz == rate_hz_) return;
    measurement_.join();
    phase_ = Phase::idle, state_ = kLearnNothingYet;
    hits_.clear();
    collector_.prepare(rate_hz, kSeconds);
    rate_hz_ = rate_hz;
}

// A host may call back while a control moves, so nothing is locked then.
void Learner::run() {
    const auto outcome = next_step();
    if (outcome.learn_off) plugin_.set_control(damp_values::learn_at(), 0.0);
    if (outcome.learned) set_controls(*outcome.learned);
    const std::lock_guard lock(mutex_);
    plugin_.set_meter(0, static_cast<double>(std::min<std::size_t>(hits_.size(), 99)));
    plugin_.set_meter(1, state_);
    plugin_.set_meter(2, opening_);
}

Learner::Outcome Learner::next_step() {
    const std::lock_guard lock(mutex_);
    const bool on = plugin_.setting(damp_values::learn_at()) != 0.0;
    if (phase_ == Phase::idle) {
        if (on && rate_hz_ > 0.0) listen();
        return {};
    }
    if (phase_ == Phase::measuring) return {false, finish()};
    if (plugin_.groups() != groups_) {
        collector_.end();
        hits_.clear();
        phase_ = Phase::idle, state_ = kLearnNothingYet;
        return {};
    }
    if (!on || ++calls_ % kCallsPerCount == 0) count_hits();
    if (on && !collector_.full() && !enough()) return {};
    collector_.end();
    count_hits();
    measure();
    return {on, {}};
}

void Learner::listen() {
    groups_ = plugin_.groups(), calls_ = 0;
    hits_.clear();
    collector_.begin();
    phase_ = Phase::listening, state_ = kLearnListening, opening_ = 0.0;
}

void Learner::count_hits() { hits_ = dsp::loud_hits(collector_.heard(), rate_hz_); }

bool Learner::enough() const {
    const auto rings = [this](const dsp::RingHit& hit) {
        return static_cast<double>(hit.samples.size() - hit.onset) > kRingSeconds * rate_hz_;
    };
    return static_cast<std::size_t>(std::count_if(hits_.begin(), hits_.end(), rings)) >= kEnoughHits;
}

void Learner::measure() {
    phase_ = Phase::measuring, state_ = kLearnMeasuring;
    learned_.reset(), rings_alike_ = some_left_ = false;
    measurement_.start([this] {
        try {
            if (hits_.size() < kLeastHits) return;
            const auto decay = dsp::measure_decay(hits_, rate_hz_);
            learned_ = dsp::learn_damp(decay), rings_alike_ = rings_alike(decay.ring);
            some_left_ = !decay.ring.left_open.empty();
        } catch (const std::exception&) { // no memory: as if nothing had been heard
        }
    });
}

/// What was learned, when it is there and still wanted.
std::optional<dsp::DampLearned> Learner::finish() {
    if (!measurement_.done()) return {};
    phase_ = Phase::idle, state_ = kLearnNothingYet;
    if (plugin_.groups() != groups_) return {};
    if (!learned_ || learned_->hits < kLeastHits) {
        state_ = kLearnTooFewHits;
        return {};
    }
    const auto rings = rings_alike_ ? static_cast<double>(learned_->settings.band_count) : 0.0;
    state_ = rings == 0.0 ? kLearnNoRing : some_left_ ? kLearnSomeLeft + rings : rings;
    if (rings == 0.0) return {};
    opening_ = -learned_->lowest_amount;
    return learned_;
}

void Learner::set_controls(const dsp::DampLearned& learned) {
    std::vector<double> values = plugin_.settings();
    auto settings = damp_values::to_settings(values);
    settings.amount = std::max(settings.amount, learned.lowest_amount);
    settings.high_db_per_s = learned.settings.high_db_per_s;
    settings.tail_db_per_s = learned.settings.tail_db_per_s;
    std::copy_n(learned.settings.bands.begin(), learned.settings.band_count, settings.bands.begin());
    settings.band_count = learned.settings.band_count;
    damp_values::put(settings, values);
    for (std::size_t i = 0; i < damp_values::learn_at(); ++i) plugin_.set_control(i, values[i]);
}

} // namespace kitfold::plugins
