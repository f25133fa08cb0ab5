#include "bleed/kit_key_weigh.h"
#include "core/units.h"
#include <algorithm>
#include <limits>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kAudible = 4.0;       // power by which a channel has to rise
constexpr double kAgain = 2.5;         // power by which a level must rise to open a gate that had just closed
constexpr double kSoonSeconds = 0.008; // after a hit its gate should be open
constexpr double kNever = std::numeric_limits<double>::infinity();

/// Of all levels those that no own hit explains: while its drum rings, what rises from where a gate may
/// have closed.
void keep_bleed(std::vector<KeyBands>& bleed, const std::vector<Own>& state) {
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

class Weighing {
public:
    Weighing(const KeyTake& take, KeyPlayer& player, const KitKeyTable& table)
        : take_(take), player_(player), key_(player.key()), table_(table), busy_(take.busy()) {}

    std::vector<KeyPeaks> run() {
        std::vector<KeyPeaks> peaks(take_.mics());
        for (const auto& h : take_.hits())
            for (std::size_t m = 0; m < take_.mics(); ++m)
                if (take_.drum_of(m) == h.drum && !h.guess)
                    peaks[m].soon.push_back({}), peaks[m].own.push_back({}), peaks[m].heard.push_back({}),
                        peaks[m].low.push_back(0.0);
        const std::size_t slot = take_.steps(kSlotSeconds);
        first_ = 0;
        for (auto& p : peaks)
            p.bleed.assign(take_.steps() / slot + 1, {}), p.lonely = lonely_slots(p.bleed.size());
        std::vector<float> most(kKeyBands * take_.mics());
        player_.play(table_, [&](std::size_t s) {
            for (std::size_t b = 0; b < kKeyBands; ++b)
                for (std::size_t m = 0; m < take_.mics(); ++m)
                    most[b * take_.mics() + m] = std::max(most[b * take_.mics() + m], key_.unexplained(m, b));
            if ((s + 1) % slot == 0 || s + 1 == take_.steps()) {
                for (std::size_t m = 0; m < take_.mics(); ++m)
                    for (std::size_t b = 0; b < kKeyBands; ++b)
                        peaks[m].bleed[s / slot][b] =
                            static_cast<double>(std::exchange(most[b * take_.mics() + m], 0.0f));
            }
            note_hits(s, peaks);
        });
        for (std::size_t m = 0; m < take_.mics(); ++m) {
            std::vector<Own> state(peaks[m].bleed.size(), kSilent);
            for (std::size_t s = 0; s < take_.steps(); ++s)
                state[s / slot] = std::max(state[s / slot], busy_[m][s]);
            keep_bleed(peaks[m].bleed, state);
            peaks[m].usual_db = usual_profile_db(peaks[m].own);
        }
        return peaks;
    }

private:
    /// Per slot: is nothing listed to be hit in it, or just before?
    [[nodiscard]] std::vector<char> lonely_slots(std::size_t count) const {
        std::vector<char> lonely(count, 1);
        for (const auto& h : take_.hits()) {
            const std::size_t at = h.step / take_.steps(kSlotSeconds);
            for (std::size_t i = at - std::min<std::size_t>(at, 1); i < std::min(at + 3, count); ++i)
                lonely[i] = 0;
        }
        return lonely;
    }

    /// Of the hits from first_ on, those that are heard now.
    void note_hits(std::size_t s, std::vector<KeyPeaks>& peaks) {
        while (first_ < take_.hits().size() && take_.hits()[first_].step + take_.steps(0.03) <= s) ++first_;
        for (std::size_t i = first_;
             i < take_.hits().size() && take_.hits()[i].step <= s + take_.steps(0.003); ++i)
            for (std::size_t m = 0; m < take_.mics(); ++m) {
                if (take_.drum_of(m) != take_.hits()[i].drum || take_.hits()[i].guess) continue;
                auto& own = peaks[m].own[take_.hits()[i].number];
                for (std::size_t b = 0; b < kKeyBands; ++b)
                    own[b] = std::max(own[b], static_cast<double>(key_.unexplained(m, b)));
                if (s <= take_.hits()[i].step + take_.steps(kSoonSeconds)) {
                    peaks[m].soon[take_.hits()[i].number] = own;
                    auto& heard = peaks[m].heard[take_.hits()[i].number];
                    for (std::size_t b = 0; b < kKeyBands; ++b)
                        heard[b] = std::max(heard[b], static_cast<double>(key_.power(m, b)));
                }
                const double low = static_cast<double>(key_.wave(m));
                peaks[m].low[take_.hits()[i].number] =
                    std::max(peaks[m].low[take_.hits()[i].number], low * low);
            }
    }

    const KeyTake& take_;
    KeyPlayer& player_;
    const KitKey& key_;
    const KitKeyTable& table_;
    const std::vector<std::vector<Own>>& busy_; ///< [mic][step]
    std::size_t first_ = 0;                     ///< hit that is still heard
};

} // namespace

std::vector<KeyPeaks> weigh_hits(const KeyTake& take, KeyPlayer& player, const KitKeyTable& table) {
    return Weighing(take, player, table).run();
}

HitPatterns hit_patterns(const KeyTake& take, KeyPlayer& player) {
    const auto& hits = take.hits();
    const auto& key = player.key();
    const std::size_t channels = take.mics() * kKeyBands;
    HitPatterns before(hits.size(), std::vector<double>(channels)), out = before;
    const auto channel = [](std::size_t c) { return std::pair(c / kKeyBands, c % kKeyBands); };
    std::size_t next = 0, first = 0;
    player.play_recorded([&](std::size_t s) {
        for (; next < hits.size() && hits[next].step <= s + take.steps(0.003); ++next)
            for (std::size_t c = 0; c < channels; ++c) {
                const auto [m, b] = channel(c);
                before[next][c] = static_cast<double>(key.held(m, b));
            }
        while (first < next && hits[first].step + take.steps(0.015) < s) ++first;
        for (std::size_t i = first; i < next; ++i)
            for (std::size_t c = 0; c < channels; ++c) {
                const auto [m, b] = channel(c);
                out[i][c] = std::max(out[i][c], static_cast<double>(key.power(m, b)));
            }
    });
    for (std::size_t i = 0; i < hits.size(); ++i)
        for (std::size_t c = 0; c < channels; ++c)
            out[i][c] = out[i][c] > kAudible * before[i][c] && !is_room(take.mic(c / kKeyBands).role)
                            ? db_from_power(out[i][c] - before[i][c])
                            : kHidden;
    return out;
}

} // namespace kitfold::dsp
