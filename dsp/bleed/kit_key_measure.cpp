#include "bleed/kit_key_measure.h"
#include "bleed/kit_key_learn.h"
#include "bleed/power_counts.h"
#include "core/median.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {
namespace {

constexpr double kMarginDb = 4.0;       // on what a drum explains: strokes differ, rooms ring
constexpr double kNoiseMarginDb = 10.0; // peaks of noise over its usual level
constexpr double kMeasurable = 10.0;    // power by which a hit has to stand out to be measured

/// Of the levels that a mic holds between hits the lowest, less what holding adds.
double usual_noise_db(const PowerCounts& held) { return std::max(-200.0, held.quantile_db(0.02)) - 6.0; }

class Measurement {
public:
    Measurement(const KeyTake& take, KeyPlayer& player, KitKeyTable& table)
        : take_(take), player_(player), key_(player.key()), table_(table), busy_(take.busy()) {
        for (auto& mic : table_.mics) mic.noise_db.fill(kOffDb), mic.wash_db.fill(kOffDb);
    }
    void run() {
        measure_close();
        measure_overheads();
        measure_wash();
    }

private:
    void measure_close() {
        std::vector<PowerCounts> floor(take_.mics() * kKeyBands);
        std::vector<std::vector<double>> clean(take_.mics() * take_.mics() * kKeyBands), other = clean;
        std::vector<Watch> open;
        std::size_t next = 0;
        player_.play(table_, [&](std::size_t s) {
            for (; next < take_.hits().size() && take_.hits()[next].step <= s + take_.steps(0.003); ++next)
                if (take_.hits()[next].own < take_.mics()) open.push_back(begin(take_.hits()[next]));
            for (auto& w : open) watch(w);
            std::erase_if(open, [&](const Watch& w) {
                if (s < w.hit->until) return false;
                close(w, w.hit->clean ? clean : other);
                return true;
            });
            if (s % 16 == 0)
                for (std::size_t m = 0; m < take_.mics(); ++m)
                    for (std::size_t b = 0; b < kKeyBands; ++b) floor[m * kKeyBands + b].add(key_.held(m, b));
        });
        for (std::size_t m = 0; m < take_.mics(); ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b)
                table_.mics[m].noise_db[b] = // a mic of float samples may be over full scale all the time
                    std::min(usual_noise_db(floor[m * kKeyBands + b]) + kNoiseMarginDb, 0.0);
        set_noise();
        for (std::size_t j = 0; j < take_.mics(); ++j)
            if (take_.speaks(j)) add_close(j, clean, other);
    }

    struct Watch {
        const GridHit* hit;
        std::vector<float> before; ///< [band][mic], held just before the hit
        std::vector<float> most, ratio;
    };

    Watch begin(const GridHit& hit) const {
        Watch w{&hit, std::vector<float>(take_.mics() * kKeyBands), {}, {}};
        for (std::size_t m = 0; m < take_.mics(); ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) w.before[m * kKeyBands + b] = key_.held(m, b);
        w.most.assign(take_.mics() * kKeyBands, 0.0f), w.ratio = w.most;
        return w;
    }

    void watch(Watch& w) const {
        for (std::size_t m = 0; m < take_.mics(); ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const float p = key_.power(m, b), h = key_.held(w.hit->own, b);
                auto& most = w.most[m * kKeyBands + b];
                auto& ratio = w.ratio[m * kKeyBands + b];
                most = std::max(most, p);
                // the source has to have risen: a band in which the drum does not sound says nothing; what
                // rang before is none of its bleed, and would look like more and more of it while it is held
                if (h > static_cast<float>(kMeasurable) * w.before[w.hit->own * kKeyBands + b])
                    ratio = std::max(ratio, (p - w.before[m * kKeyBands + b]) / h);
            }
    }

    void close(const Watch& w, std::vector<std::vector<double>>& into) const {
        for (std::size_t m = 0; m < take_.mics(); ++m)
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const std::size_t at = m * kKeyBands + b;
                if (w.ratio[at] > 0.0f && w.most[at] > kMeasurable * static_cast<double>(w.before[at]))
                    into[(w.hit->own * take_.mics() + m) * kKeyBands + b].push_back(
                        db_from_power(w.ratio[at]));
            }
    }

    void add_close(std::size_t source, const std::vector<std::vector<double>>& clean,
                   const std::vector<std::vector<double>>& other) {
        for (std::size_t m = 0; m < take_.mics(); ++m) {
            if (m == source || take_.drum_of(m) == take_.drum_of(source) || is_room(take_.mic(m).role))
                continue;
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                const std::size_t at = (source * take_.mics() + m) * kKeyBands + b;
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
        for (std::size_t m = 0; m < take_.mics(); ++m)
            if (is_overhead(take_.mic(m).role)) heads.push_back(m);
        if (heads.empty()) return;
        std::vector<PowerCounts> ratios(take_.mics() * kKeyBands);
        player_.play(table_, [&](std::size_t s) {
            if (s % 3 != 0) return;
            for (std::size_t b = 0; b < kKeyBands; ++b) {
                float held = 0.0f, left = 0.0f, all = 0.0f;
                for (const auto h : heads)
                    held += key_.held(h, b), left += key_.unexplained(h, b), all += key_.power(h, b);
                if (!(left > 0.5f * all && held > 0.0f)) continue; // they hear more of the close drums
                for (std::size_t m = 0; m < take_.mics(); ++m) {
                    if (!take_.drum_of(m) || busy_[m][s] != kSilent) continue;
                    const float u = key_.unexplained(m, b);
                    // no close mic has a say in it, nor has noise
                    if (u > 0.9f * key_.power(m, b) && u > noise(m, b) * static_cast<float>(kMeasurable))
                        ratios[m * kKeyBands + b].add(static_cast<double>(u / held));
                }
            }
        });
        for (const auto h : heads)
            for (std::size_t m = 0; m < take_.mics(); ++m) {
                if (!take_.drum_of(m)) continue;
                for (std::size_t b = 0; b < kKeyBands; ++b)
                    if (const auto& r = ratios[m * kKeyBands + b]; r.total() >= 50)
                        path(h, m).gain_db[b] = std::min(r.quantile_db(0.95) + 3.0, 12.0);
            }
    }

    /// How little of the lower bands a cymbal has, and how much more the mic's own drum.
    void measure_wash() {
        constexpr std::size_t kTop = kKeyBands - 1; // where cymbals speak
        std::vector<PowerCounts> ratios(take_.mics() * kKeyBands);
        std::vector<std::vector<double>> own(take_.mics() * kKeyBands);
        std::vector<KeyBands> peak(take_.mics(), KeyBands{});
        player_.play(table_, [&](std::size_t s) {
            for (std::size_t m = 0; m < take_.mics(); ++m) {
                if (!take_.drum_of(m)) continue;
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
                    else if (u > kMeasurable * static_cast<double>(noise(m, b)))
                        ratios[m * kKeyBands + b].add(u / static_cast<double>(key_.top(m, b)));
                }
                if (ended) peak[m] = {};
            }
        });
        for (std::size_t m = 0; m < take_.mics(); ++m)
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

    [[nodiscard]] float noise(std::size_t mic, std::size_t band) const {
        return noise_[mic * kKeyBands + band];
    }

    /// What the table says of the way from one mic to another.
    KitKeyTable::Bleed& path(std::size_t source, std::size_t mic) {
        for (auto& b : table_.bleed)
            if (b.source == source && b.mic == mic) return b;
        table_.bleed.push_back({source, mic, {}});
        table_.bleed.back().gain_db.fill(kOffDb);
        return table_.bleed.back();
    }

    void set_noise() {
        for (const auto& mic : table_.mics)
            for (const double db : mic.noise_db) noise_.push_back(static_cast<float>(power_from_db(db)));
    }

    const KeyTake& take_;
    KeyPlayer& player_;
    const KitKey& key_;
    KitKeyTable& table_;
    const std::vector<std::vector<Own>>& busy_; ///< [mic][step]
    std::vector<float> noise_;                  ///< [mic][band], power
};

} // namespace

void measure_bleed(const KeyTake& take, KeyPlayer& player, KitKeyTable& table) {
    Measurement(take, player, table).run();
}

} // namespace kitfold::dsp
