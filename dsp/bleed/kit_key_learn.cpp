#include "bleed/kit_key_learn.h"
#include "bleed/kit_key_gap.h"
#include "bleed/kit_key_learn_response.h"
#include "bleed/kit_key_strangers.h"
#include "core/median.h"
#include "core/units.h"
#include "settings/parameters.h"
#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kMarginDb = 4.0;       // on what a drum explains: strokes differ, rooms ring
constexpr double kNoiseMarginDb = 10.0; // peaks of noise over its usual level
constexpr double kRise = 10.0;          // power by which a hit has to stand out to be measured
constexpr double kAudible = 4.0;        // power by which a channel has to rise
constexpr double kAboveBleedDb = 6.0;   // what a threshold needs, takes differ
constexpr double kBelowHits = 0.6;      // of a margin too small for that: what is missed is lost
constexpr double kMostBelowDb = 15.0;   // a threshold under the softest hit
constexpr double kAgain = 2.5;         // power by which a level must rise to open a gate that had just closed
constexpr double kLeastSilenceS = 6.0; // of the own drum, to learn waveforms from
constexpr double kSoonSeconds = 0.008; // after a hit its gate should be open
constexpr double kBusyOwnSeconds = 0.25;
constexpr double kOwnSeconds = 0.6; // after an own hit all that sounds is taken for its own

/// Counts of powers in half decibels, for quantiles of any number of values.
class PowerCounts {
public:
    void add(double power) {
        if (counts_.empty()) counts_.assign(kBins, 0);
        const double bin = power > 0.0 ? 2.0 * (db_from_power(power) + kBottomDb) : 0.0;
        ++counts_[static_cast<std::size_t>(std::clamp(bin, 0.0, kBins - 1.0))], ++total_;
    }
    [[nodiscard]] std::size_t total() const noexcept { return total_; }
    [[nodiscard]] double quantile_db(double q) const {
        const double wanted = q * static_cast<double>(total_);
        double seen = 0.0;
        for (std::size_t b = 0; b < counts_.size(); ++b)
            if ((seen += static_cast<double>(counts_[b])) >= wanted && seen > 0.0)
                return static_cast<double>(b) / 2.0 - kBottomDb + 0.25;
        return kOffDb;
    }

private:
    static constexpr std::size_t kBins = 480;
    static constexpr double kBottomDb = 180.0;
    std::vector<std::uint32_t> counts_;
    std::size_t total_ = 0;
};

/// The take low-passed and thinned out as KitKey does, as it was recorded.
struct Lows {
    double rate_hz = 6000.0;
    std::size_t steps = 0, mics = 0;
    std::vector<float> samples; ///< [step][mic]
    [[nodiscard]] const float* at(std::size_t step) const noexcept { return &samples[step * mics]; }
};

Lows read_lows(const Take& take, const KitKey& key) {
    Lows out;
    const std::size_t step = key.step();
    const double seconds = std::min(take.seconds(), kLearnSeconds);
    out.rate_hz = key.step_rate_hz(), out.mics = take.mics.size();
    out.steps = static_cast<std::size_t>(seconds * out.rate_hz);
    out.samples.assign(out.steps * out.mics, 0.0f);
    constexpr std::size_t kBlockSteps = 1024;
    std::vector<float> block(kBlockSteps * step);
    for (std::size_t m = 0; m < out.mics; ++m) {
        float carry = 0.0f;
        for (std::size_t at = 0; at < out.steps; ++at) {
            const std::size_t in_block = at % kBlockSteps;
            if (in_block == 0) take.read(m, static_cast<std::int64_t>(at * step), block);
            out.samples[at * out.mics + m] = key.low(&block[in_block * step], carry);
        }
    }
    return out;
}

enum Own : char { kSilent, kRings, kHit };

/// A hit on the grid of steps.
struct GridHit {
    std::size_t step = 0, own = 0; ///< own: its close mic, or as many as there are mics
    Drum drum = Drum::kick;
    std::size_t until = 0;  ///< first step that another drum's hit may touch
    bool clean = false;     ///< nothing else near before or right after
    bool guess = false;     ///< not listed: the mic hears what nothing explains, which is no bleed then
    std::size_t number = 0; ///< among the hits of its drum
};

class Learner {
public:
    Learner(const Take& take, std::span<const Hit> hits)
        : take_(take), mics_(take.mics.size()), gaps_(take.mics.size()), heard_(take.mics.size()) {
        (void)key_.prepare(take.rate_hz, mics_);
        for (std::size_t m = 0; m < mics_; ++m) key_.set_delay(m, take.mics[m].delay_ms, 0.0);
        for (const auto& mic : take.mics) drums_.push_back(own_drum(mic.role));
        lows_ = read_lows(take, key_);
        waves_.resize(lows_.samples.size());
        place(hits);
    }

    LearnedKitKey run() {
        learn();
        if (drop_strangers()) {
            learn();
            if (take_strangers_back()) learn();
        }
        if (correct_hits()) learn();
        count_doubtful();
        round_to_tenths();
        return {std::move(table_), std::move(proposals_)};
    }

private:
    /// All of it, from the hits as they are listed now.
    void learn() {
        clear();
        busy_ = busy_steps();
        learn_waveforms();
        measure_close();
        measure_overheads();
        measure_wash();
        weigh();
        propose_all();
    }

    void clear() {
        table_ = {};
        table_.mics.resize(mics_);
        for (auto& m : table_.mics) m.noise_db.fill(kOffDb), m.wash_db.fill(kOffDb);
    }

    void count_doubtful() {
        for (auto& p : proposals_)
            if (p.hits >= kLearnHits)
                p.doubtful = gaps_[p.mic].doubtful + gaps_[p.mic].mistakes +
                             corrected_[static_cast<std::size_t>(*drum_of(p.mic))];
    }

    /// So that a session that a person reads holds exactly what was learned.
    void round_to_tenths() {
        const auto tenths = [](double& db) { db = std::round(db * 10.0) / 10.0; };
        for (auto& m : table_.mics) {
            tenths(m.level_db);
            for (auto* bands : {&m.weight_db, &m.noise_db, &m.wash_db})
                for (auto& db : *bands) tenths(db);
        }
        for (auto& b : table_.bleed)
            for (auto& db : b.gain_db) tenths(db);
        for (auto& p : proposals_)
            for (auto* db : {&p.softest_hit_db, &p.loudest_bleed_db, &p.margin_db, &p.threshold_db})
                tenths(*db);
    }

    [[nodiscard]] std::size_t steps(double seconds) const {
        return static_cast<std::size_t>(seconds * lows_.rate_hz);
    }
    [[nodiscard]] std::optional<Drum> drum_of(std::size_t mic) const { return drums_[mic]; }
    [[nodiscard]] bool speaks(std::size_t mic) const {
        const auto drum = drum_of(mic);
        return drum && own_mic(take_.mics, *drum) == mic;
    }
    /// Does its list of hits get corrected? Of hi-hat and ride there are hundreds, and few of them matter.
    [[nodiscard]] bool correctable(std::size_t mic) const {
        const auto role = take_.mics[mic].role;
        return speaks(mic) && role != Role::hihat && role != Role::ride;
    }
    [[nodiscard]] bool overhead(std::size_t mic) const { return is_overhead(take_.mics[mic].role); }

    void place(std::span<const Hit> hits) {
        for (const auto& h : hits) {
            const auto own = own_mic(take_.mics, h.drum);
            const double late_s = own ? take_.mics[*own].delay_ms / 1000.0 : 0.0;
            const auto step = steps(std::max(0.0, h.time_s + late_s));
            if (step < lows_.steps) hits_.push_back({step, own.value_or(mics_), h.drum});
        }
        look_round();
    }

    /// What each hit has near it.
    void look_round() {
        std::sort(hits_.begin(), hits_.end(), [](auto& a, auto& b) { return a.step < b.step; });
        std::array<std::size_t, kDrumCount> count{};
        for (auto& h : hits_) {
            if (!h.guess) h.number = count[static_cast<std::size_t>(h.drum)]++;
            h.until = std::min(h.step + steps(0.2), lows_.steps);
            h.clean = true;
            for (const auto& o : hits_) {
                if (&o == &h || o.step + steps(0.06) < h.step || o.step > h.step + steps(0.2)) continue;
                if (o.drum == h.drum && o.step >= h.step) {
                    h.until = std::min(h.until, std::max(o.step, h.step + 1));
                    continue;
                }
                if (o.step < h.step + steps(0.02))
                    h.clean = false;
                else
                    h.until = std::min(h.until, o.step - steps(0.003));
            }
        }
    }

    /// Runs the key over what waveforms have left of the take; after(step) sees its levels.
    template <class After> void play(After after) {
        key_.reset();
        key_.set(table_);
        for (std::size_t s = 0; s < lows_.steps; ++s) {
            key_.advance_past_waveforms(&waves_[s * mics_]);
            after(s);
        }
    }

    /// The way to each close mic, from where its own drum is silent in it. What leads to a mic whose own
    /// hits are the same as before is known.
    void learn_waveforms() {
        KitKeyTable changed;
        std::vector<std::size_t> mics;
        for (std::size_t m = 0; m < mics_; ++m) {
            auto strokes = strokes_of(m);
            if (heard_[m].strokes != strokes) {
                heard_[m] = {std::move(strokes), responses_to(m)};
                mics.push_back(m);
                for (const auto& b : heard_[m].bleed) changed.bleed.push_back(b);
            }
            for (const auto& b : heard_[m].bleed) table_.bleed.push_back(b);
        }
        if (mics.empty()) return;
        key_.reset();
        key_.set(changed);
        for (std::size_t s = 0; s < lows_.steps; ++s) {
            key_.advance_waveforms(lows_.at(s));
            for (const auto m : mics) waves_[s * mics_ + m] = key_.wave(m);
        }
    }

    /// Steps at which the mic's own drum is hit; none of a mic without one.
    [[nodiscard]] std::vector<std::size_t> strokes_of(std::size_t mic) const {
        std::vector<std::size_t> out;
        for (const auto& h : hits_)
            if (drum_of(mic) == h.drum) out.push_back(h.step);
        return out;
    }

    [[nodiscard]] std::vector<KitKeyTable::Bleed> responses_to(std::size_t m) const {
        std::vector<KitKeyTable::Bleed> out;
        if (!drum_of(m)) return out;
        const auto taps = static_cast<std::size_t>(std::ceil(kResponseTaps * lows_.rate_hz / kResponseHz));
        std::vector<std::size_t> sources;
        for (std::size_t j = 0; j < mics_; ++j)
            if (speaks(j) && drum_of(j) != drum_of(m)) sources.push_back(j);
        const std::size_t late = steps(take_.mics[m].delay_ms / 1000.0); // hits are timed behind it
        const auto found = learn_responses({lows_.samples, mics_}, m, sources, silent_steps(m, late), taps,
                                           steps(kLeastSilenceS));
        for (std::size_t i = 0; i < sources.size(); ++i) {
            if (found[i].empty()) continue;
            std::vector<float> response(kResponseTaps);
            resample_response(found[i], lows_.rate_hz, response, kResponseHz);
            auto& path = out.emplace_back(KitKeyTable::Bleed{sources[i], m, {}});
            path.gain_db.fill(kOffDb);
            for (const float x : response)
                path.response.push_back(
                    std::round(std::clamp(static_cast<double>(x), -kMostResponse, kMostResponse) * 1e4) /
                    1e4);
        }
        return out;
    }

    /// Where a mic's own drum is silent, `late` steps before the hits say; for a drum that hardly ever is,
    /// where it has died away for the most part.
    [[nodiscard]] std::vector<char> silent_steps(std::size_t mic, std::size_t late) const {
        std::vector<char> silent;
        for (const double own_s : {kOwnSeconds, kBusyOwnSeconds}) {
            silent.assign(lows_.steps, 1);
            for (const auto& h : hits_)
                if (drum_of(mic) == h.drum) {
                    const std::size_t at = h.step - std::min(h.step, late + steps(0.01));
                    const std::size_t end = std::min(at + steps(own_s), lows_.steps);
                    std::fill(silent.begin() + static_cast<std::ptrdiff_t>(at),
                              silent.begin() + static_cast<std::ptrdiff_t>(end), 0);
                }
            if (std::count(silent.begin(), silent.end(), 1) >
                static_cast<std::ptrdiff_t>(steps(kLeastSilenceS)))
                break;
        }
        return silent;
    }

    /// What the table says of the way from one mic to another.
    KitKeyTable::Bleed& path(std::size_t source, std::size_t mic) {
        for (auto& b : table_.bleed)
            if (b.source == source && b.mic == mic) return b;
        table_.bleed.push_back({source, mic, {}});
        table_.bleed.back().gain_db.fill(kOffDb);
        return table_.bleed.back();
    }

    struct Watch {
        const GridHit* hit;
        std::vector<float> before; ///< [band][mic], held just before the hit
        std::vector<float> most, ratio;
    };

    void measure_close() {
        std::vector<PowerCounts> floor(mics_ * kKeyBands);
        std::vector<std::vector<double>> clean(mics_ * mics_ * kKeyBands), other = clean;
        std::vector<Watch> open;
        std::size_t next = 0;
        play([&](std::size_t s) {
            for (; next < hits_.size() && hits_[next].step <= s + steps(0.003); ++next)
                if (hits_[next].own < mics_) open.push_back(begin(hits_[next]));
            for (auto& w : open) watch(w);
            std::erase_if(open, [&](const Watch& w) {
                if (s < w.hit->until) return false;
                close(w, w.hit->clean ? clean : other);
                return true;
            });
            if (s % 16 == 0)
                for (std::size_t m = 0; m < mics_; ++m)
                    for (std::size_t b = 0; b < kKeyBands; ++b) floor[m * kKeyBands + b].add(key_.held(m, b));
        });
        for (std::size_t m = 0; m < mics_; ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b)
                table_.mics[m].noise_db[b] =
                    std::max(-200.0, floor[m * kKeyBands + b].quantile_db(0.02)) + kNoiseMarginDb - 6.0;
        set_noise();
        for (std::size_t j = 0; j < mics_; ++j)
            if (speaks(j)) add_close(j, clean, other);
    }

    Watch begin(const GridHit& hit) const {
        Watch w{&hit, std::vector<float>(mics_ * kKeyBands), {}, {}};
        for (std::size_t m = 0; m < mics_; ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) w.before[m * kKeyBands + b] = key_.held(m, b);
        w.most.assign(mics_ * kKeyBands, 0.0f), w.ratio = w.most;
        return w;
    }

    void watch(Watch& w) const {
        for (std::size_t m = 0; m < mics_; ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const float p = key_.power(m, b), h = key_.held(w.hit->own, b);
                auto& most = w.most[m * kKeyBands + b];
                auto& ratio = w.ratio[m * kKeyBands + b];
                most = std::max(most, p);
                // the source has to have risen: a band in which the drum does not sound says nothing; what
                // rang before is none of its bleed, and would look like more and more of it while it is held
                if (h > static_cast<float>(kRise) * w.before[w.hit->own * kKeyBands + b])
                    ratio = std::max(ratio, (p - w.before[m * kKeyBands + b]) / h);
            }
    }

    void close(const Watch& w, std::vector<std::vector<double>>& into) const {
        for (std::size_t m = 0; m < mics_; ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const std::size_t at = m * kKeyBands + b;
                if (w.ratio[at] > 0.0f && w.most[at] > kRise * static_cast<double>(w.before[at]))
                    into[(w.hit->own * mics_ + m) * kKeyBands + b].push_back(db_from_power(w.ratio[at]));
            }
    }

    void add_close(std::size_t source, const std::vector<std::vector<double>>& clean,
                   const std::vector<std::vector<double>>& other) {
        for (std::size_t m = 0; m < mics_; ++m) {
            if (m == source || drum_of(m) == drum_of(source) || is_room(take_.mics[m].role)) continue;
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const std::size_t at = (source * mics_ + m) * kKeyBands + b;
                double db = kOffDb;
                if (clean[at].size() >= kLearnHits)
                    db = quantile(std::vector(clean[at]), 0.4) + kMarginDb;
                else if (other[at].size() >= kLearnHits)
                    db = quantile(std::vector(other[at]), 0.2) + kMarginDb;
                if (db != kOffDb) path(source, m).gain_db[b] = std::min(db, 40.0);
            }
        }
    }

    void measure_overheads() {
        std::vector<std::size_t> heads;
        for (std::size_t m = 0; m < mics_; ++m)
            if (overhead(m)) heads.push_back(m);
        if (heads.empty()) return;
        std::vector<PowerCounts> ratios(mics_ * kKeyBands);
        play([&](std::size_t s) {
            if (s % 3 != 0) return;
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                float held = 0.0f, left = 0.0f, all = 0.0f;
                for (const auto h : heads)
                    held += key_.held(h, b), left += key_.unexplained(h, b), all += key_.power(h, b);
                if (!(left > 0.5f * all && held > 0.0f)) continue; // they hear more of the close drums
                for (std::size_t m = 0; m < mics_; ++m) {
                    if (!drum_of(m) || busy_[m][s] != kSilent) continue;
                    const float u = key_.unexplained(m, b);
                    // no close mic has a say in it, nor has noise
                    if (u > 0.9f * key_.power(m, b) && u > noise(m, b) * static_cast<float>(kRise))
                        ratios[m * kKeyBands + b].add(static_cast<double>(u / held));
                }
            }
        });
        for (const auto h : heads)
            for (std::size_t m = 0; m < mics_; ++m) {
                if (!drum_of(m)) continue;
                for (std::size_t b = 0; b < kKeyBands; ++b)
                    if (const auto& r = ratios[m * kKeyBands + b]; r.total() >= 50)
                        path(h, m).gain_db[b] = std::min(r.quantile_db(0.95) + 3.0, 12.0);
            }
    }

    /// How little of the lower bands a cymbal has, and how much more the mic's own drum.
    void measure_wash() {
        constexpr std::size_t kTop = kKeyBands - 1;
        std::vector<PowerCounts> ratios(mics_ * kKeyBands);
        std::vector<std::vector<double>> own(mics_ * kKeyBands);
        std::vector<KeyBands> peak(mics_, KeyBands{});
        play([&](std::size_t s) {
            for (std::size_t m = 0; m < mics_; ++m) {
                if (!drum_of(m)) continue;
                const bool ended = busy_[m][s] != kHit && peak[m][kTop] > 0.0;
                if (!ended && busy_[m][s] != kHit && (busy_[m][s] != kSilent || s % 3 != 0)) continue;
                for (std::size_t b = 0; b < kKeyBands; ++b) {
                    const double u =
                        static_cast<double>(b == kTop ? key_.power(m, b) : key_.unexplained(m, b));
                    if (busy_[m][s] == kHit)
                        peak[m][b] = std::max(peak[m][b], u);
                    else if (ended)
                        own[m * kKeyBands + b].push_back(db_from_power(peak[m][b]) -
                                                         db_from_power(peak[m][kTop]));
                    else if (u > kRise * static_cast<double>(noise(m, b)))
                        ratios[m * kKeyBands + b].add(u / static_cast<double>(key_.top(m, b)));
                }
                if (ended) peak[m] = {};
            }
        });
        for (std::size_t m = 0; m < mics_; ++m)
            for (std::size_t b = 0; b < kTop; ++b) {
                const auto& r = ratios[m * kKeyBands + b];
                const auto& o = own[m * kKeyBands + b];
                if (r.total() < 50 || o.size() < kLearnHits) continue;
                const double most_db =
                    quantile(std::vector(o), 0.2) - 8.0; // an own hit must not explain itself
                table_.mics[m].wash_db[b] =
                    std::clamp(r.quantile_db(0.99) + 3.0, -60.0, std::max(most_db, -60.0));
            }
    }

    void set_noise() {
        noise_.clear();
        for (const auto& mic : table_.mics)
            for (const double db : mic.noise_db) noise_.push_back(static_cast<float>(power_from_db(db)));
    }
    [[nodiscard]] float noise(std::size_t mic, std::size_t band) const {
        return noise_[mic * kKeyBands + band];
    }

    /// What each mic's own drum does at each step.
    [[nodiscard]] std::vector<std::vector<Own>> busy_steps() const {
        std::vector<std::vector<Own>> busy(mics_, std::vector<Own>(lows_.steps, kSilent));
        for (const auto& h : hits_)
            for (std::size_t m = 0; m < mics_; ++m)
                if (drum_of(m) == h.drum) {
                    const std::size_t from = h.step - std::min(h.step, steps(0.01));
                    for (std::size_t s = from; s < std::min(h.step + steps(kOwnSeconds), lows_.steps); ++s)
                        busy[m][s] = s < h.step + steps(0.06) ? kHit : std::max(busy[m][s], kRings);
                }
        return busy;
    }

    static constexpr double kNever = std::numeric_limits<double>::infinity();
    void weigh() {
        peaks_.assign(mics_, {});
        auto& peaks = peaks_;
        for (const auto& h : hits_)
            for (std::size_t m = 0; m < mics_; ++m)
                if (drum_of(m) == h.drum && !h.guess)
                    peaks[m].soon.push_back({}), peaks[m].own.push_back({}), peaks[m].heard.push_back({}),
                        peaks[m].low.push_back(0.0);
        const std::size_t slot = steps(0.01);
        first_ = 0;
        for (auto& p : peaks)
            p.bleed.assign(lows_.steps / slot + 1, {}), p.lonely = lonely_slots(p.bleed.size());
        std::vector<float> most(kKeyBands * mics_);
        play([&](std::size_t s) {
            for (std::size_t b = 0; b < kKeyBands; ++b)
                for (std::size_t m = 0; m < mics_; ++m)
                    most[b * mics_ + m] = std::max(most[b * mics_ + m], key_.unexplained(m, b));
            if ((s + 1) % slot == 0 || s + 1 == lows_.steps) {
                for (std::size_t m = 0; m < mics_; ++m)
                    for (std::size_t b = 0; b < kKeyBands; ++b)
                        peaks[m].bleed[s / slot][b] =
                            static_cast<double>(std::exchange(most[b * mics_ + m], 0.0f));
            }
            note_hits(s, peaks);
        });
        for (std::size_t m = 0; m < mics_; ++m) {
            std::vector<Own> state(peaks[m].bleed.size(), kSilent);
            for (std::size_t s = 0; s < lows_.steps; ++s)
                state[s / slot] = std::max(state[s / slot], busy_[m][s]);
            keep_bleed(peaks[m].bleed, state);
            peaks[m].usual_db = usual_profile_db(peaks[m].own);
        }
    }

    /// From what was weighed.
    void propose_all() {
        proposals_.clear();
        for (auto& m : table_.mics) m.known = false, m.level_db = 0.0, m.weight_db.fill(kOffDb);
        for (std::size_t m = 0; m < mics_; ++m)
            if (drum_of(m)) propose(m, peaks_[m]);
    }

    /// Per slot: is nothing listed to be hit in it, or just before?
    [[nodiscard]] std::vector<char> lonely_slots(std::size_t count) const {
        std::vector<char> lonely(count, 1);
        for (const auto& h : hits_) {
            const std::size_t at = h.step / steps(0.01);
            for (std::size_t i = at - std::min<std::size_t>(at, 1); i < std::min(at + 3, count); ++i)
                lonely[i] = 0;
        }
        return lonely;
    }

    /// Of all levels those that no own hit explains: while its drum rings, what rises from where a gate may
    /// have closed.
    static void keep_bleed(std::vector<KeyBands>& bleed, const std::vector<Own>& state) {
        constexpr std::size_t kHold = 6; // slots for which a gate has to have been under its threshold
        for (std::size_t i = bleed.size(); i-- > 0;) {
            if (state[i] == kSilent) continue;
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                double before = state[i] == kHit || i < kHold + 1 ? kNever : 0.0;
                for (std::size_t k = i - std::min(i, kHold + 1); k + 1 < i; ++k)
                    before = std::max(before, bleed[k][b]);
                if (!(bleed[i][b] > kAgain * before)) bleed[i][b] = 0.0;
            }
        }
    }

    /// Of the hits from first_ on, those that are heard now.
    void note_hits(std::size_t s, std::vector<KeyPeaks>& peaks) {
        while (first_ < hits_.size() && hits_[first_].step + steps(0.03) <= s) ++first_;
        for (std::size_t i = first_; i < hits_.size() && hits_[i].step <= s + steps(0.003); ++i)
            for (std::size_t m = 0; m < mics_; ++m) {
                if (drum_of(m) != hits_[i].drum || hits_[i].guess) continue;
                auto& own = peaks[m].own[hits_[i].number];
                for (std::size_t b = 0; b < kKeyBands; ++b)
                    own[b] = std::max(own[b], static_cast<double>(key_.unexplained(m, b)));
                if (s <= hits_[i].step + steps(kSoonSeconds)) {
                    peaks[m].soon[hits_[i].number] = own;
                    auto& heard = peaks[m].heard[hits_[i].number];
                    for (std::size_t b = 0; b < kKeyBands; ++b)
                        heard[b] = std::max(heard[b], static_cast<double>(key_.power(m, b)));
                }
                const double low = static_cast<double>(key_.wave(m));
                peaks[m].low[hits_[i].number] = std::max(peaks[m].low[hits_[i].number], low * low);
            }
    }

    /// Takes what the gaps have shown to be mistakes out of the list of hits; is there any?
    bool correct_hits() {
        bool any = false;
        for (std::size_t m = 0; m < mics_; ++m) {
            if (!correctable(m) || gaps_[m].mistakes == 0) continue;
            any = true;
            const auto drum = *drum_of(m);
            corrected_[static_cast<std::size_t>(drum)] += gaps_[m].mistakes;
            std::erase_if(hits_, [&](const GridHit& h) {
                return h.drum == drum && !h.guess &&
                       std::find(gaps_[m].explained.begin(), gaps_[m].explained.end(), h.number) !=
                           gaps_[m].explained.end();
            });
            for (const auto slot : gaps_[m].unlisted) {
                GridHit h;
                h.step = slot * steps(0.01), h.own = mics_, h.drum = drum, h.guess = true;
                hits_.push_back(h);
            }
        }
        if (any) look_round();
        return any;
    }

    // ---- Hits that look like another drum's in all mics

    [[nodiscard]] HitPatterns patterns() {
        const std::size_t channels = mics_ * kKeyBands;
        HitPatterns before(hits_.size(), std::vector<double>(channels)), out = before;
        const auto channel = [](std::size_t c) { return std::pair(c / kKeyBands, c % kKeyBands); };
        std::size_t next = 0, first = 0;
        key_.reset();
        key_.set({}); // levels as they are recorded
        for (std::size_t s = 0; s < lows_.steps; ++s) {
            key_.advance(lows_.at(s));
            for (; next < hits_.size() && hits_[next].step <= s + steps(0.003); ++next)
                for (std::size_t c = 0; c < channels; ++c) {
                    const auto [m, b] = channel(c);
                    before[next][c] = static_cast<double>(key_.held(m, b));
                }
            while (first < next && hits_[first].step + steps(0.015) < s) ++first;
            for (std::size_t i = first; i < next; ++i)
                for (std::size_t c = 0; c < channels; ++c) {
                    const auto [m, b] = channel(c);
                    out[i][c] = std::max(out[i][c], static_cast<double>(key_.power(m, b)));
                }
        }
        for (std::size_t i = 0; i < hits_.size(); ++i)
            for (std::size_t c = 0; c < channels; ++c)
                out[i][c] = out[i][c] > kAudible * before[i][c] && !is_room(take_.mics[c / kKeyBands].role)
                                ? db_from_power(out[i][c] - before[i][c])
                                : kHidden;
        return out;
    }

    /// Is a drum listed to be hit at about this step?
    [[nodiscard]] bool listed(Drum drum, std::size_t step) const {
        return std::any_of(hits_.begin(), hits_.end(), [&](const GridHit& h) {
            return h.drum == drum && h.step + steps(0.06) > step && h.step < step + steps(0.06);
        });
    }

    /// Of a drum's hits those that look like hits of others, at which this one is not listed.
    [[nodiscard]] std::vector<std::size_t> strangers_of(Drum drum, const HitPatterns& patterns) const {
        std::vector<std::size_t> own, others;
        for (std::size_t i = 0; i < hits_.size(); ++i)
            if (hits_[i].drum == drum)
                own.push_back(i);
            else if (!listed(drum, hits_[i].step))
                others.push_back(i);
        return strangers(patterns, own, others);
    }

    [[nodiscard]] std::size_t hits_of(Drum drum) const {
        return static_cast<std::size_t>(std::count_if(
            hits_.begin(), hits_.end(), [drum](const GridHit& h) { return h.drum == drum && !h.guess; }));
    }

    /// Takes strangers out of the list for mics whose drum is hit seldom and whose gap is poor; are there
    /// any? (Of a drum that is hit often, a gap is easily widened by leaving its softest strokes out.)
    bool drop_strangers() {
        std::vector<std::size_t> mics;
        for (std::size_t m = 0; m < mics_; ++m)
            if (speaks(m) && gaps_[m].worth() < kAmpleDb && hits_of(*drum_of(m)) <= kSeldom)
                mics.push_back(m);
        if (mics.empty()) return false;
        const auto seen = patterns();
        std::vector<char> strange(hits_.size(), 0);
        for (const auto m : mics)
            for (const auto hit : strangers_of(*drum_of(m), seen)) strange[hit] = 1;
        if (std::none_of(strange.begin(), strange.end(), [](char s) { return s != 0; })) return false;
        const auto all = std::exchange(hits_, {});
        for (std::size_t i = 0; i < all.size(); ++i) (strange[i] != 0 ? dropped_ : hits_).push_back(all[i]);
        before_drop_ = gaps_;
        look_round();
        return true;
    }

    /// Puts those back without which a gap has become no wider; are there any?
    bool take_strangers_back() {
        const auto kept_out = [&](const GridHit& h) {
            return gaps_[h.own].worth() > before_drop_[h.own].worth();
        };
        const auto back = std::partition(dropped_.begin(), dropped_.end(), kept_out);
        for (auto h = dropped_.begin(); h != back; ++h) ++corrected_[static_cast<std::size_t>(h->drum)];
        if (back == dropped_.end()) return false;
        hits_.insert(hits_.end(), back, dropped_.end());
        look_round();
        return true;
    }

    /// A threshold between own hits and bleed.
    void propose(std::size_t m, const KeyPeaks& peaks) {
        KitKeyProposal p;
        p.mic = m, p.hits = peaks.own.size();
        gaps_[m] = {};
        if (p.hits < kLearnHits) {
            p.why_not = "fewer than two hits of its drum in the take";
            proposals_.push_back(p);
            return;
        }
        auto choice = choose_bands(peaks);
        gaps_[m] = std::move(choice.gap);
        const auto& best = gaps_[m];
        p.margin_db = best.margin_db();
        p.softest_hit_db = db_from_power(best.softest), p.loudest_bleed_db = db_from_power(best.loudest);
        std::vector<double> levels;
        for (std::size_t h = 0; h < peaks.own.size(); ++h)
            levels.push_back(db_from_power(peaks.low[h]) -
                             db_from_power(power_under(peaks.own[h], choice.weight)));
        if (!best.fits()) {
            p.why_not = "its softest hits are no louder than bleed, even with all mics in hand";
            proposals_.push_back(p);
            return;
        }
        auto& mic = table_.mics[m];
        mic.known = true;
        mic.level_db = std::clamp(quantile(levels, 0.5), -40.0, 40.0);
        for (std::size_t b = 0; b < kKeyBands; ++b) mic.weight_db[b] = db_from_power(choice.weight[b]);
        p.softest_hit_db += mic.level_db, p.loudest_bleed_db += mic.level_db;
        // nearer the bleed, and more so where there is room: the sooner it opens
        const double below_db = std::max(kBelowHits * p.margin_db, p.margin_db - kAboveBleedDb);
        const auto& range = parameter_of(&GateSettings::threshold_db);
        p.threshold_db =
            std::clamp(p.softest_hit_db - std::min(below_db, kMostBelowDb), range.min, range.max);
        proposals_.push_back(p);
    }

    const Take& take_;
    std::size_t mics_;
    KitKey key_;
    std::vector<std::optional<Drum>> drums_; ///< per mic, its own
    Lows lows_;
    std::vector<float> waves_;    ///< [step][mic], KitKey::wave()
    std::vector<KeyPeaks> peaks_; ///< per mic, of the hits as they are listed
    std::vector<GridHit> hits_;
    std::vector<std::vector<Own>> busy_; ///< [mic][step]
    std::vector<float> noise_;           ///< [mic][band], power
    std::size_t first_ = 0;
    KitKeyTable table_;
    std::vector<KitKeyProposal> proposals_;
    std::vector<KeyGap> gaps_; ///< per mic, of what was proposed
    /// What is foretold of a mic, and the strokes of its own drum that it was learned between.
    struct Heard {
        std::optional<std::vector<std::size_t>> strokes; ///< none: not learned yet
        std::vector<KitKeyTable::Bleed> bleed;
    };
    std::vector<Heard> heard_; ///< per mic
    std::vector<KeyGap> before_drop_;
    std::vector<GridHit> dropped_;                    ///< strangers
    std::array<std::size_t, kDrumCount> corrected_{}; ///< mistakes taken out of the list so far
};

} // namespace

LearnedKitKey learn_kit_key(const Take& take, std::span<const Hit> hits) { return Learner(take, hits).run(); }

} // namespace kitfold::dsp
