#include "bleed/kit_key_learn.h"
#include "bleed/kit_key_measure.h"
#include "bleed/kit_key_propose.h"
#include "bleed/kit_key_weigh.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace kitfold::dsp {
namespace {

/// So that a session that a person reads holds exactly what was learned.
void round_to_tenths(LearnedKitKey& learned) {
    const auto tenths = [](double& db) { db = std::round(db * 10.0) / 10.0; };
    for (auto& m : learned.table.mics) {
        tenths(m.level_db);
        for (auto* bands : {&m.weight_db, &m.noise_db, &m.wash_db})
            for (auto& db : *bands) tenths(db);
    }
    for (auto& b : learned.table.bleed)
        for (auto& db : b.gain_db) tenths(db);
    for (auto& p : learned.proposals)
        for (auto* db : {&p.softest_hit_db, &p.loudest_bleed_db, &p.margin_db, &p.threshold_db}) tenths(*db);
}

/// Of a drum's hits those that look like hits of others, at which this one is not listed.
std::vector<std::size_t> strangers_of(Drum drum, const KeyTake& take, const HitPatterns& patterns) {
    std::vector<std::size_t> own, others;
    for (std::size_t i = 0; i < take.hits().size(); ++i)
        if (take.hits()[i].drum == drum)
            own.push_back(i);
        else if (!take.listed(drum, take.hits()[i].step))
            others.push_back(i);
    return strangers(patterns, own, others);
}

KitKey prepared(const Take& take) {
    KitKey key;
    (void)key.prepare(take.rate_hz, take.mics.size());
    for (std::size_t m = 0; m < take.mics.size(); ++m) key.set_delay(m, take.mics[m].delay_ms, 0.0);
    return key;
}

/// Measure, weigh, propose; and once more where what was proposed shows that the list of hits is not right.
class Learner {
public:
    Learner(const Take& take, std::span<const Hit> hits) : key_(prepared(take)), take_(take, hits, key_) {}

    LearnedKitKey run() {
        learn();
        if (drop_strangers()) {
            learn();
            if (take_strangers_back()) learn();
        }
        if (correct_hits()) learn();
        count_doubtful();
        round_to_tenths(learned_);
        return std::move(learned_);
    }

private:
    /// All of it, from the hits as they are listed now.
    void learn() {
        auto& table = learned_.table;
        table = {};
        table.mics.resize(take_.mics());
        player_.learn_waveforms(table);
        measure_bleed(take_, player_, table);
        const auto peaks = weigh_hits(take_, player_, table);
        learned_.proposals.clear();
        for (std::size_t m = 0; m < take_.mics(); ++m) {
            table.mics[m].weight_db.fill(kOffDb);
            if (take_.drum_of(m)) take_over(m, propose_gate(m, peaks[m]));
        }
    }

    void take_over(std::size_t m, Proposed proposed) {
        auto& mic = learned_.table.mics[m];
        mic.known = proposed.known();
        if (mic.known) mic.level_db = proposed.level_db, mic.weight_db = proposed.weight_db;
        gaps_[m] = std::move(proposed.gap);
        learned_.proposals.push_back(std::move(proposed.proposal));
    }

    void count_doubtful() {
        for (auto& p : learned_.proposals)
            if (p.hits >= kLearnHits)
                p.doubtful = gaps_[p.mic].doubtful + gaps_[p.mic].mistakes +
                             corrected_[static_cast<std::size_t>(*take_.drum_of(p.mic))];
    }

    /// Does its list of hits get corrected? Of hi-hat and ride there are hundreds, and few of them matter.
    [[nodiscard]] bool correctable(std::size_t mic) const {
        const auto role = take_.mic(mic).role;
        return take_.speaks(mic) && role != Role::hihat && role != Role::ride;
    }

    /// Takes what the gaps have shown to be mistakes out of the list of hits; is there any?
    bool correct_hits() {
        bool any = false;
        auto hits = take_.hits();
        for (std::size_t m = 0; m < take_.mics(); ++m) {
            if (!correctable(m) || gaps_[m].mistakes == 0) continue;
            any = true;
            const auto drum = *take_.drum_of(m);
            const auto& gap = gaps_[m];
            corrected_[static_cast<std::size_t>(drum)] += gap.mistakes;
            std::erase_if(hits, [&](const GridHit& h) {
                return h.drum == drum && !h.guess && std::ranges::count(gap.explained, h.number) > 0;
            });
            for (const auto slot : gap.unlisted) {
                GridHit h;
                h.step = slot * take_.steps(kSlotSeconds), h.own = take_.mics(), h.drum = drum,
                h.guess = true;
                hits.push_back(h);
            }
        }
        if (any) take_.set_hits(std::move(hits));
        return any;
    }

    /// Takes strangers out of the list for mics whose drum is hit seldom and whose gap is poor; are there
    /// any? (Of a drum that is hit often, a gap is easily widened by leaving its softest strokes out.)
    bool drop_strangers() {
        std::vector<std::size_t> mics;
        for (std::size_t m = 0; m < take_.mics(); ++m)
            if (take_.speaks(m) && gaps_[m].worth() < kAmpleDb && take_.hits_of(*take_.drum_of(m)) <= kSeldom)
                mics.push_back(m);
        if (mics.empty()) return false;
        const auto& all = take_.hits();
        const auto seen = hit_patterns(take_, player_);
        std::vector<char> strange(all.size(), 0);
        for (const auto m : mics)
            for (const auto hit : strangers_of(*take_.drum_of(m), take_, seen)) strange[hit] = 1;
        if (std::ranges::count(strange, 0) == std::ssize(strange)) return false;
        std::vector<GridHit> kept;
        for (std::size_t i = 0; i < all.size(); ++i) (strange[i] != 0 ? dropped_ : kept).push_back(all[i]);
        before_drop_ = gaps_;
        take_.set_hits(std::move(kept));
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
        auto hits = take_.hits();
        hits.insert(hits.end(), back, dropped_.end());
        take_.set_hits(std::move(hits));
        return true;
    }

    KitKey key_;
    KeyTake take_;
    KeyPlayer player_{take_, key_};
    LearnedKitKey learned_;
    std::vector<KeyGap> gaps_ = std::vector<KeyGap>(take_.mics()); ///< per mic, of what was proposed
    std::vector<KeyGap> before_drop_;
    std::vector<GridHit> dropped_;                    ///< strangers
    std::array<std::size_t, kDrumCount> corrected_{}; ///< mistakes taken out of the list so far
};

} // namespace

LearnedKitKey learn_kit_key(const Take& take, std::span<const Hit> hits) { return Learner(take, hits).run(); }

} // namespace kitfold::dsp
