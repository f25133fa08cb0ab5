#include "bleed/kit_key_gap.h"
#include "bleed/kit_key_learn.h"
#include "core/median.h"
#include "core/units.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kMistaken = 0.06;    // share of the hits that may be wrong or missing
constexpr double kLetInCostsDb = 0.5; // of margin, for all further bands together
constexpr double kLetInStepDb = 3.0;
constexpr double kLeastLetInDb = -30.0; // with less than a thousandth of its power a band tells nothing
constexpr double kLeastMarginDb = 1.0;  // for a threshold
constexpr double kDoubtDb = 5.0;        // margin that each hit set aside has to be worth
// The same for a listed hit that the other mics explain as well as they do bleed, and for bleed where no drum
// is listed to be hit: such are mistakes in the list more often than not.
constexpr double kMistakeDb = 2.0;
constexpr double kDoubtBelowDb = 6.0; // margin from which on the list is believed as it is
constexpr double kExplained = 0.25;   // most that is left of a listed hit that was another drum's
constexpr double kNearBleed = 2.0;    // power re the loudest bleed; what is louder counts as a hit after all
constexpr double kAlikeDb = 6.0;      // between the bands of two hits of one drum, each re its loudest
constexpr double kSameDb = 3.0;       // the same, beyond doubt
constexpr double kProfileDb = 15.0;   // under the loudest band: no more than this is compared

KeyBands profile_db(const KeyBands& power) {
    const double most = *std::max_element(power.begin(), power.end());
    KeyBands out;
    for (std::size_t b = 0; b < kKeyBands; ++b)
        out[b] = std::max(db_from_power(power[b] / most), -kProfileDb);
    return out;
}

bool alike(const KeyBands& power, const KeyBands& usual_db, double within_db) {
    const auto profile = profile_db(power);
    double apart = 0.0;
    for (std::size_t b = 0; b < kKeyBands; ++b)
        apart += (profile[b] - usual_db[b]) * (profile[b] - usual_db[b]);
    return apart < within_db * within_db * static_cast<double>(kKeyBands);
}

bool seldom(const KeyPeaks& peaks) { return peaks.own.size() <= kSeldom; }

/// Does it rise in the slot as hits of the mic's own drum do? Where another is hit, only
/// of a drum that is hit seldom, and with less doubt.
bool like_own(const KeyPeaks& peaks, std::size_t slot) {
    KeyBands most{};
    for (std::size_t i = slot; i < std::min(slot + 3, peaks.bleed.size()); ++i)
        for (std::size_t b = 0; b < kKeyBands; ++b) most[b] = std::max(most[b], peaks.bleed[i][b]);
    if (peaks.lonely[slot] != 0) return alike(most, peaks.usual_db, kAlikeDb);
    return seldom(peaks) && alike(most, peaks.usual_db, kSameDb);
}

/// Is a listed hit explained by the other mics, or unlike the others of its drum?
bool doubted(const KeyPeaks& peaks, std::size_t hit) {
    constexpr KeyBands kAll{1.0, 1.0, 1.0, 1.0, 1.0}; // all bands alike
    return power_under(peaks.soon[hit], kAll) < kExplained * power_under(peaks.heard[hit], kAll) ||
           !alike(peaks.own[hit], peaks.usual_db, kAlikeDb);
}

struct Level {
    double power = 0.0;
    std::size_t of = 0;   ///< the number of a hit among its drum's, or a slot
    bool mistake = false; ///< a hit that the other mics explain; a bleed that looks like a hit
};

/// The loudest bleeds, nearer together than 150 ms counted as one, loudest first.
std::vector<Level> loudest_bleeds(const KeyPeaks& peaks, const KeyBands& weight, std::size_t count) {
    constexpr std::size_t kApart = 15; // slots of 10 ms
    constexpr std::size_t kPart = 64;  // slots whose most is remembered
    std::vector<double> level(peaks.bleed.size());
    std::vector<std::size_t> most((level.size() + kPart - 1) / kPart);
    const auto look = [&](std::size_t part) {
        const auto from = level.begin() + static_cast<std::ptrdiff_t>(part * kPart);
        const auto left = level.size() - part * kPart;
        most[part] = static_cast<std::size_t>(
            std::max_element(from, from + static_cast<std::ptrdiff_t>(std::min(kPart, left))) -
            level.begin());
    };
    std::vector<Level> out;
    for (std::size_t i = 0; i < level.size(); ++i) level[i] = power_under(peaks.bleed[i], weight);
    for (std::size_t part = 0; part < most.size(); ++part) look(part);
    while (out.size() < count && !most.empty()) {
        const auto at =
            *std::max_element(most.begin(), most.end(), [&](auto i, auto k) { return level[i] < level[k]; });
        out.push_back({level[at], at, level[at] > 0.0 && like_own(peaks, at)});
        const auto from = at - std::min(at, kApart), to = std::min(at + kApart, level.size());
        for (std::size_t i = from; i < to; ++i) level[i] = 0.0;
        for (std::size_t part = from / kPart; part * kPart < to; ++part) look(part);
    }
    return out;
}

/// The gap over the `low` softest hits and under the `high` loudest bleeds, which are set aside.
KeyGap gap(const std::vector<Level>& own, const std::vector<Level>& bleed, std::size_t low,
           std::size_t high) {
    KeyGap g{own[low].power, high < bleed.size() ? bleed[high].power : 0.0, 0, 0, {}, {}};
    for (std::size_t i = 0; i < high; ++i) {
        if (!bleed[i].mistake) {
            ++g.doubtful;
            continue;
        }
        g.unlisted.push_back(bleed[i].of);
        g.softest = std::min(g.softest, bleed[i].power); // it is a hit then
    }
    const double near = kNearBleed * g.loudest;
    for (std::size_t i = 0; i < low; ++i) {
        if (!own[i].mistake || own[i].power > near) {
            ++g.doubtful;
            continue;
        }
        g.explained.push_back(own[i].of);
        g.loudest = std::max(g.loudest, own[i].power); // it is bleed then
    }
    g.mistakes = g.unlisted.size() + g.explained.size();
    return g;
}

/// The widest gap between own hits and bleed that leaves no more than a few on the wrong side: the list
/// of hits that all this rests on is not free of mistakes.
KeyGap widest_gap(const KeyPeaks& peaks, const KeyBands& weight, bool mistakes) {
    const std::size_t count = peaks.soon.size();
    const auto few = static_cast<std::size_t>(kMistaken * static_cast<double>(count));
    std::vector<Level> own;
    for (std::size_t i = 0; i < count; ++i)
        own.push_back({power_under(peaks.soon[i], weight), i, doubted(peaks, i)});
    std::stable_sort(own.begin(), own.end(), [](auto& a, auto& b) { return a.power < b.power; });
    const std::size_t most_low = mistakes ? std::max(few, count / 2) : few;
    const std::size_t most_high =
        std::max({few, mistakes ? 1 + count / 8 : 0, seldom(peaks) ? std::size_t{2} : 0});
    const auto bleed = loudest_bleeds(peaks, weight, most_high + 1);
    KeyGap best = gap(own, bleed, 0, 0);
    for (std::size_t low = 0; low <= most_low && low + kLearnHits <= count; ++low)
        for (std::size_t high = 0; high <= most_high && high < bleed.size(); ++high)
            if (auto g = gap(own, bleed, low, high); g.doubtful <= few && g.worth() > best.worth())
                best = std::move(g);
    return best;
}

/// The bands that set own hits apart best.
KeyChoice best_bands(const KeyPeaks& peaks, bool mistakes) {
    KeyChoice out;
    for (unsigned set = 1; set < 1u << kKeyBands; ++set) {
        KeyBands weight{};
        for (std::size_t b = 0; b < kKeyBands; ++b) weight[b] = set >> b & 1u;
        auto gap = widest_gap(peaks, weight, mistakes);
        if (set == 1 || gap.worth() > out.gap.worth()) out = {weight, std::move(gap)};
    }
    return out;
}

/// Lets the higher of the bands that were left out in as far as they cost next to no margin: a loud hit
/// opens the gate sooner by them.
void let_in(const KeyPeaks& peaks, bool mistakes, KeyChoice& choice) {
    const double least = choice.gap.worth() - kLetInCostsDb;
    const auto lowest =
        std::find_if(choice.weight.begin(), choice.weight.end(), [](double w) { return w > 0.0; });
    const auto first = static_cast<std::size_t>(lowest - choice.weight.begin());
    for (std::size_t b = kKeyBands; --b > first;) {
        if (choice.weight[b] > 0.0) continue;
        for (double db = 0.0; db >= kLeastLetInDb; db -= kLetInStepDb) {
            auto weight = choice.weight;
            weight[b] = power_from_db(db);
            auto gap = widest_gap(peaks, weight, mistakes);
            if (gap.worth() < least || (choice.gap.fits() && !gap.fits())) continue;
            choice = {weight, std::move(gap)};
            break;
        }
    }
}

} // namespace

double power_under(const KeyBands& p, const KeyBands& weight) {
    double total = 0.0;
    for (std::size_t b = 0; b < kKeyBands; ++b) total += weight[b] * p[b];
    return total;
}

KeyBands usual_profile_db(const std::vector<KeyBands>& own_hits) {
    std::array<std::vector<double>, kKeyBands> all;
    for (const auto& own : own_hits) {
        const auto profile = profile_db(own);
        for (std::size_t b = 0; b < kKeyBands; ++b) all[b].push_back(profile[b]);
    }
    KeyBands out{};
    for (std::size_t b = 0; b < kKeyBands && !own_hits.empty(); ++b) out[b] = quantile(all[b], 0.5);
    return out;
}

double KeyGap::margin_db() const { return db_from_power(softest) - db_from_power(std::max(loudest, 1e-20)); }

bool KeyGap::fits() const { return margin_db() > kLeastMarginDb; }

double KeyGap::worth() const {
    return std::min(margin_db(), kAmpleDb) - kDoubtDb * static_cast<double>(doubtful) -
           kMistakeDb * static_cast<double>(mistakes);
}

KeyChoice choose_bands(const KeyPeaks& peaks) {
    auto choice = best_bands(peaks, false);
    const bool mistakes = !(choice.gap.margin_db() >= kDoubtBelowDb);
    if (mistakes) choice = best_bands(peaks, true);
    let_in(peaks, mistakes, choice);
    return choice;
}

} // namespace kitfold::dsp
