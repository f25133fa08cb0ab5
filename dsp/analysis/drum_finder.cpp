#include "analysis/drum_finder.h"
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

namespace kitfold::dsp {

namespace {

constexpr float kLeastNovelty = 1.0f; // doublings that make a candidate
constexpr std::ptrdiff_t kCandidateApart = 3;
constexpr std::ptrdiff_t kHitApart = 14; // frames: nearer than that is one hit
constexpr float kBleedMargin = 4.0f;     // power by which bleed may exceed what is usual
constexpr float kFloorMargin = 4.0f;
constexpr float kSlopeDb =
    10.0f; // a hit isn't stronger in its best bands than in its worst by more than this
constexpr float kSoftestDb = 30.0f; // under the drum's median
constexpr float kNothingDb = -150.0f;
constexpr float kClearRatio = 20.0f; // power over bleed and floor that shows a drum without doubt
constexpr std::size_t kFewest = 3;

float decibels(float power) {
    return power > 0.0f ? std::max(kNothingDb, 10.0f * std::log10(power)) : kNothingDb;
}

float quantile(std::vector<float> x, double q) {
    if (x.empty()) return 0.0f;
    const auto at = x.begin() + static_cast<std::ptrdiff_t>(q * static_cast<double>(x.size() - 1) + 0.5);
    std::nth_element(x.begin(), at, x.end());
    return *at;
}

float total(const BandLevels& x) { return std::accumulate(x.begin(), x.end(), 0.0f); }
float bright(const BandLevels& x) { return x[5] + x[6] + x[7]; }

/// The second largest of a voice's bands.
template <class Of> float second_of(std::size_t first, std::size_t last, Of of) {
    float most = -std::numeric_limits<float>::infinity(), second = most;
    for (auto b = first; b <= last; ++b) {
        const float x = of(b);
        if (x > most)
            second = std::exchange(most, x);
        else
            second = std::max(second, x);
    }
    return second;
}

bool plate(Drum d) { return d == Drum::hihat || d == Drum::ride; }
bool tom(Drum d) { return d >= Drum::rack_tom && d <= Drum::floor_tom_2; }

} // namespace

DrumFinder::DrumFinder(std::span<const TakeMic> mics, std::span<const Ear> ears) : ears_(ears) {
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (is_overhead(mics[m].role)) overheads_.push_back(m);
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        const auto drum = static_cast<Drum>(d);
        const auto mic = own_mic(mics, drum);
        if (!mic) continue;
        Voice voice;
        voice.drum = drum, voice.mic = *mic;
        if (plate(drum)) voice.first_band = kFirstBrightBand, voice.last_band = kScanBands - 1;
        voices_.push_back(std::move(voice));
    }
}

BandLevels DrumFinder::overhead_rise(std::ptrdiff_t first, std::ptrdiff_t last) const {
    BandLevels sum{};
    for (const auto m : overheads_) {
        const auto r = ears_[m].rise(first, last);
        for (std::size_t b = 0; b < kScanBands; ++b) sum[b] += r[b];
    }
    return sum;
}

void DrumFinder::gather(Voice& voice) {
    const Ear& ear = ears_[voice.mic];
    const auto frames =
        peaks(ear.frames(), kCandidateApart, kLeastNovelty, [&](auto f) { return ear.novelty(f); });
    for (const auto f : frames) {
        Candidate c;
        c.frame = f;
        c.own = ear.rise(f - 1, f + 2);
        c.overheads = overhead_rise(f - 1, f + 6);
        for (auto g = f - 1; g <= f + 2; ++g) {
            const auto past = ear.past(g);
            for (std::size_t b = 0; b < kScanBands; ++b) c.past[b] = std::max(c.past[b], past[b]);
        }
        for (const auto& other : voices_) c.others.push_back(ears_[other.mic].rise(f - 5, f + 1));
        voice.candidates.push_back(std::move(c));
    }
    voice.bleed.resize(voices_.size());
}

/// Before any drum is known: what another mic usually does when this one steps up strongly. Too high where
/// two drums are played together, so a low quantile.
void DrumFinder::guess_bleed() {
    for (std::size_t e = 0; e < voices_.size(); ++e) {
        auto& from = voices_[e];
        std::vector<float> levels;
        for (const auto& c : from.candidates) levels.push_back(total(c.own));
        const float loud = quantile(levels, 1.0 - 1.0 / 8.0);
        for (auto& to : voices_) {
            if (&to == &from) continue;
            std::array<std::vector<float>, kScanBands> ratios;
            for (const auto& c : from.candidates) {
                if (total(c.own) < loud) continue;
                const auto r = ears_[to.mic].rise(c.frame - 1, c.frame + 5);
                for (std::size_t b = 0; b < kScanBands; ++b) ratios[b].push_back(r[b] / (c.own[b] + 1e-20f));
            }
            for (std::size_t b = 0; b < kScanBands; ++b) to.bleed[e][b] = quantile(ratios[b], 0.3);
        }
    }
}

void DrumFinder::learn_bleed() {
    constexpr std::ptrdiff_t kAlone = 12;
    for (std::size_t e = 0; e < voices_.size(); ++e) {
        const auto& from = voices_[e];
        for (auto& to : voices_) {
            if (&to == &from || from.strong.empty()) continue;
            std::vector<std::size_t> alone;
            for (const auto i : from.strong) {
                const auto f = from.candidates[i].frame;
                if (std::none_of(to.strong.begin(), to.strong.end(), [&](std::size_t j) {
                        return std::abs(to.candidates[j].frame - f) <= kAlone;
                    }))
                    alone.push_back(i);
            }
            if (alone.size() < kFewest) alone = from.strong;
            std::array<std::vector<float>, kScanBands> ratios;
            for (const auto i : alone) {
                const auto& c = from.candidates[i];
                const auto r = ears_[to.mic].rise(c.frame - 1, c.frame + 5);
                for (std::size_t b = 0; b < kScanBands; ++b) ratios[b].push_back(r[b] / (c.own[b] + 1e-20f));
            }
            for (std::size_t b = 0; b < kScanBands; ++b) to.bleed[e][b] = quantile(ratios[b], 0.6);
        }
    }
}

/// Cymbals without a mic: how loud this mic is when the overheads step up and no drum was hit.
void DrumFinder::learn_overhead_bleed(Voice& voice) {
    constexpr std::ptrdiff_t kAlone = 15;
    std::vector<std::ptrdiff_t> taken;
    for (const auto& v : voices_)
        for (const auto i : v.strong) taken.push_back(v.candidates[i].frame);
    std::sort(taken.begin(), taken.end());
    std::vector<const std::pair<std::ptrdiff_t, BandLevels>*> free;
    std::vector<float> levels;
    for (const auto& step : bright_) {
        const auto next = std::lower_bound(taken.begin(), taken.end(), step.first - kAlone);
        if (next != taken.end() && *next <= step.first + kAlone) continue;
        free.push_back(&step);
        levels.push_back(bright(step.second));
    }
    const float loud = quantile(levels, 0.5);
    std::array<std::vector<float>, kScanBands> ratios;
    for (const auto* step : free) {
        if (bright(step->second) < loud) continue;
        const auto r = ears_[voice.mic].rise(step->first - 6, step->first + 2);
        for (std::size_t b = 0; b < kScanBands; ++b) {
            float floor = 0.0f;
            for (const auto m : overheads_) floor += ears_[m].floor()[b];
            if (step->second[b] > 8.0f * floor) ratios[b].push_back(r[b] / step->second[b]);
        }
    }
    for (std::size_t b = 0; b < kScanBands; ++b)
        voice.overhead_bleed[b] = ratios[b].size() >= 5 ? std::min(1.0f, quantile(ratios[b], 0.6)) : 0.0f;
}

/// A crash is always struck together with the kick, so it never shows alone. But in the mic of a tom or the
/// hi-hat it looks like a hit of that drum at which the overheads are far too loud.
void DrumFinder::learn_outliers(Voice& voice) {
    if (!tom(voice.drum) && !plate(voice.drum)) return;
    constexpr float kFarDb = 6.0f;
    float floor = 0.0f;
    for (const auto m : overheads_) floor += bright(ears_[m].floor());
    const auto ratio_db = [](const Candidate& c) {
        float sum = 0.0f;
        for (std::size_t b = 5; b < kScanBands; ++b)
            sum += decibels((c.own[b] + 1e-20f) / (c.overheads[b] + 1e-20f)) / 3.0f;
        return sum;
    };
    std::vector<float> usual;
    for (const auto i : voice.strong) usual.push_back(ratio_db(voice.candidates[i]));
    const float middle = quantile(usual, 0.5);
    std::array<std::vector<float>, kScanBands> ratios;
    for (const auto i : voice.accepted) {
        const auto& c = voice.candidates[i];
        if (ratio_db(c) > middle - kFarDb || bright(c.overheads) < 100.0f * floor) continue;
        for (std::size_t b = 3; b < kScanBands; ++b)
            ratios[b].push_back(c.own[b] / (c.overheads[b] + 1e-20f));
    }
    for (std::size_t b = 3; b < kScanBands; ++b)
        if (ratios[b].size() >= kFewest)
            voice.overhead_bleed[b] = std::max(voice.overhead_bleed[b], quantile(ratios[b], 0.5));
}

BandLevels DrumFinder::expected_bleed(const Voice& voice, const Candidate& c) const {
    BandLevels sum{};
    for (std::size_t b = 0; b < kScanBands; ++b) {
        sum[b] = c.overheads[b] * voice.overhead_bleed[b];
        for (std::size_t e = 0; e < voices_.size(); ++e)
            if (&voices_[e] != &voice) sum[b] += c.others[e][b] * voice.bleed[e][b];
    }
    return sum;
}

void DrumFinder::set_typical(Voice& voice, bool first_round) {
    std::vector<std::size_t> chosen = voice.strong;
    if (first_round) {
        std::vector<float> levels;
        chosen.clear();
        for (std::size_t i = 0; i < voice.candidates.size(); ++i) {
            const auto& c = voice.candidates[i];
            const auto bleed = expected_bleed(voice, c);
            const auto& floor = ears_[voice.mic].floor();
            std::vector<float> clear;
            for (auto b = voice.first_band; b <= voice.last_band; ++b)
                clear.push_back(c.own[b] / (bleed[b] + floor[b]));
            std::sort(clear.begin(), clear.end());
            if (clear[1] > kClearRatio) chosen.push_back(i), levels.push_back(total(c.own));
        }
        const float loud = quantile(levels, 0.6);
        std::erase_if(chosen, [&](std::size_t i) { return total(voice.candidates[i].own) < loud; });
    }
    for (std::size_t b = 0; b < kScanBands; ++b) {
        std::vector<float> levels;
        for (const auto i : chosen) levels.push_back(voice.candidates[i].own[b]);
        voice.typical[b] = quantile(levels, 0.5);
    }
}

/// A hit shows in two bands at least, and in every band in which it would not be masked.
void DrumFinder::weigh(Voice& voice) {
    const auto& floor = ears_[voice.mic].floor();
    for (auto& c : voice.candidates) {
        const auto bleed = expected_bleed(voice, c);
        float most_possible = std::numeric_limits<float>::infinity(), low = kNothingDb;
        for (auto b = voice.first_band; b <= voice.last_band; ++b) {
            const float typical = voice.typical[b] + 1e-20f,
                        hidden = kBleedMargin * bleed[b] + kFloorMargin * floor[b];
            c.strength[b] = decibels((c.own[b] - hidden) / typical);
            const float masked = decibels((1.26f * c.past[b] + hidden) / typical);
            most_possible = std::min(most_possible, std::max(c.strength[b], masked));
            if (b <= kFirstBrightBand) low = std::max(low, c.strength[b]);
        }
        c.strength_db =
            std::min(second_of(voice.first_band, voice.last_band, [&](auto b) { return c.strength[b]; }),
                     most_possible + kSlopeDb);
        if (!plate(voice.drum))
            c.strength_db = std::min(c.strength_db, low); // drums are more than brightness
    }
}

/// Strongest first; near a hit only what is a hit of its own: the ring of a drum beats for a while.
void DrumFinder::accept(Voice& voice) {
    const auto& all = voice.candidates;
    std::vector<std::size_t> order(all.size());
    std::iota(order.begin(), order.end(), std::size_t{0});
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t i, std::size_t j) { return all[i].strength_db > all[j].strength_db; });
    voice.accepted.clear();
    for (const auto i : order) {
        const auto& c = all[i];
        if (c.strength_db < -kSoftestDb - 8.0f) break;
        bool own = true;
        for (auto& j : voice.accepted) {
            const auto after = c.frame - all[j].frame;
            const float under = all[j].strength_db - c.strength_db;
            if (std::abs(after) < kHitApart) {
                own = false;
                if (after < -kCandidateApart && under < 8.0f)
                    j = i; // the earlier of two as strong is the attack
                break;
            }
            if ((after > 0 && after < 45 && under > 12.0f) || (after >= 45 && after < 80 && under > 20.0f))
                own = false;
            if (!own) break;
        }
        if (own) voice.accepted.push_back(i);
    }
}

void DrumFinder::choose_strong(Voice& voice) {
    voice.strong.clear();
    std::vector<float> top;
    for (std::size_t n = 0; n < std::min(voice.accepted.size(), std::max(kFewest, voice.accepted.size() / 3));
         ++n)
        top.push_back(voice.candidates[voice.accepted[n]].strength_db);
    const float loud = quantile(top, 0.5);
    for (const auto i : voice.accepted)
        if (voice.candidates[i].strength_db > loud - 10.0f) voice.strong.push_back(i);
}

/// First frame near the candidate in which two of the bands that show it reach a quarter of their step: an
/// earlier drum a few ms before must not set the time.
std::ptrdiff_t DrumFinder::onset(const Voice& voice, const Candidate& c) const {
    const Ear& ear = ears_[voice.mic];
    const auto past = ear.past(c.frame - 1);
    std::size_t showing = 0;
    const auto shows = [&](std::size_t b) { return c.strength[b] > c.strength_db - 3.0f; };
    for (auto b = voice.first_band; b <= voice.last_band; ++b) showing += shows(b) ? 1 : 0;
    for (auto f = c.frame - 2; f <= c.frame + 4; ++f) {
        std::size_t reached = 0;
        for (auto b = voice.first_band; b <= voice.last_band; ++b)
            reached += shows(b) && ear.energy(f, b) - 1.26f * past[b] >= 0.25f * c.own[b] ? 1 : 0;
        if (reached >= std::min<std::size_t>(2, showing)) return f;
    }
    return c.frame;
}

std::vector<DrumHit> DrumFinder::find() {
    if (!overheads_.empty()) {
        const Ear& first = ears_[overheads_[0]];
        const auto frames = peaks(first.frames(), 4, 3.0f, [&](auto f) {
            float sum = 0.0f;
            for (const auto m : overheads_) sum += ears_[m].bright_novelty(f);
            return sum;
        });
        for (const auto f : frames) bright_.emplace_back(f, overhead_rise(f - 1, f + 2));
    }
    for (auto& v : voices_) gather(v);
    guess_bleed();
    for (int round = 0; round < 3; ++round) {
        if (round > 0) {
            for (auto& v : voices_) choose_strong(v);
            learn_bleed();
            for (auto& v : voices_) learn_overhead_bleed(v), learn_outliers(v);
        }
        for (auto& v : voices_) set_typical(v, round == 0);
        for (auto& v : voices_) {
            if (total(v.typical) > 0.0f) weigh(v), accept(v);
        }
    }
    std::vector<DrumHit> hits;
    for (const auto& v : voices_) {
        std::vector<float> strengths;
        for (const auto i : v.accepted) strengths.push_back(v.candidates[i].strength_db);
        const float softest = quantile(strengths, 0.5) - kSoftestDb;
        for (const auto i : v.accepted) {
            const auto& c = v.candidates[i];
            if (c.strength_db > softest) hits.push_back({v.drum, v.mic, onset(v, c), c.own, c.strength_db});
        }
    }
    std::stable_sort(hits.begin(), hits.end(),
                     [](const DrumHit& a, const DrumHit& b) { return a.frame < b.frame; });
    return hits;
}

} // namespace kitfold::dsp
