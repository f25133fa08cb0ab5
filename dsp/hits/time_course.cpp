#include "hits/time_course.h"
#include "core/vector_clones.h"
#include "hits/hit_math.h"
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kFirstBand = kScanBands - kCourseBands;
/// Scatter of one frame's power, from the bandwidth.
constexpr std::array<float, kCourseBands> kFrameScatterDb{4.0f, 3.4f, 2.3f, 1.8f};
constexpr float kOutlier = 4.0f;    // scatters; what is further off counts little more
constexpr float kMostAlike = 3.0f;  // a long bin is at most this much better than a frame
constexpr float kColourDb = 3.0f;   // a hit's spectrum departs from its voice's by this or so
constexpr std::size_t kFewest = 3;  // examples
constexpr float kLeastSeen = 0.02f; // of what may hide it: no course is taken for silent
constexpr float kMostColourDb = 9.0f;
constexpr float kKnownDb = 2.5f;      // as does its level from what its own mic says
constexpr float kPriorCounts = 8.0f;  // frames
constexpr float kFastestFall = 0.15f; // dB per frame, of what was there before

/// Frames re the moment; single ones while hits begin, then wider.
constexpr std::array<std::ptrdiff_t, 18> kCoarse{16, 18, 20, 22, 24, 26, 28,  30,  32,
                                                 34, 36, 44, 56, 70, 86, 104, 124, 150};
constexpr std::size_t kFine = static_cast<std::size_t>(kCoarse[0] - TimeCourses::kFirst);
constexpr std::size_t kBins = kFine + kCoarse.size() - 1;

constexpr std::ptrdiff_t bin_start(std::size_t bin) {
    return bin < kFine ? TimeCourses::kFirst + static_cast<std::ptrdiff_t>(bin) : kCoarse[bin - kFine];
}

} // namespace

float CoursePart::level_db() const noexcept {
    return std::accumulate(gain_db.begin(), gain_db.end(), 0.0f) / static_cast<float>(kCourseBands);
}

TimeCourses::TimeCourses(std::span<const Ear> ears, std::vector<std::size_t> mics, const NullBeam& beam,
                         std::size_t voices)
    : ears_(ears), mics_(std::move(mics)), beam_(beam),
      channels_((mics_.size() + (beam.any() ? 1 : 0)) * kCourseBands),
      groups_((channels_ + kCourseLanes - 1) / kCourseLanes), size_(groups_ * kBins * kCourseLanes),
      course_(voices), binned_(voices), known_(voices, false), weight_(size_, 0.0f) {
    for (std::size_t b = 0; b + 1 < kBins; ++b)
        for (std::size_t c = 0; c < channels_; ++c) {
            const auto frames = std::sqrt(static_cast<float>(bin_start(b + 1) - bin_start(b)));
            const float scatter = kFrameScatterDb[c % kCourseBands];
            weight_[place(b, c)] = std::min(frames, kMostAlike) / (scatter * scatter);
        }
}

/// Where a value stands: channels side by side in groups.
std::size_t TimeCourses::place(std::size_t bin, std::size_t channel) {
    return (channel / kCourseLanes * kBins + bin) * kCourseLanes + channel % kCourseLanes;
}

float TimeCourses::heard(std::size_t channel, std::ptrdiff_t frame) const noexcept {
    const auto mic = channel / kCourseBands, band = channel % kCourseBands;
    return mic < mics_.size() ? ears_[mics_[mic]].energy(frame, kFirstBand + band)
                              : beam_.energy(frame, band);
}

Moment TimeCourses::moment(std::ptrdiff_t frame, std::ptrdiff_t next) const {
    constexpr std::ptrdiff_t kBeforeFirst = -22, kBeforeLast = -13, kClear = 4;
    Moment m;
    m.frame = frame;
    const auto end = std::clamp<std::ptrdiff_t>(next - frame - kClear, kCoarse[0], kLast);
    while (m.bins + 1 < kBins && bin_start(m.bins + 1) <= end) ++m.bins;
    for (std::size_t c = 0; c < channels_; ++c) {
        float sum = 0.0f;
        for (auto f = kBeforeFirst; f < kBeforeLast; ++f) sum += heard(c, frame + f);
        m.before.push_back(sum / static_cast<float>(kBeforeLast - kBeforeFirst) + 1e-13f);
    }
    m.before.resize(groups_ * kCourseLanes, 1.0f);
    m.heard.resize(size_);
    for (std::size_t c = 0; c < channels_; ++c)
        for (std::size_t b = 0; b < m.bins; ++b) {
            float sum = 0.0f;
            for (auto f = bin_start(b); f < bin_start(b + 1); ++f) sum += heard(c, frame + f);
            m.heard[place(b, c)] =
                std::log2(sum / static_cast<float>(bin_start(b + 1) - bin_start(b)) + 1e-13f);
        }
    return m;
}

const float* TimeCourses::bins_of(const CoursePart& part) const noexcept {
    const auto offset = static_cast<std::size_t>(std::clamp(part.offset, kEarliest, kLatest) - kEarliest);
    return binned_[part.voice].data() + offset * size_;
}

/// An explanation in the making; arrays run over groups of channels, bins and the channels of a group.
struct TimeCourses::Fit {
    float fall = 0.0f; ///< dB per frame
    std::vector<float> before, sum, off, pull;
    std::vector<float> power; ///< part by part
};

namespace {

using Lanes = std::array<float, kCourseLanes>;

KITFOLD_VECTOR_CLONES void add_course(const float* course, const float* gain, std::size_t bins, float* power,
                                      float* sum) {
    for (std::size_t i = 0; i < bins * kCourseLanes; i += kCourseLanes)
        for (std::size_t l = 0; l < kCourseLanes; ++l)
            power[i + l] = gain[l] * course[i + l], sum[i + l] += power[i + l];
}

/// Adds to `cost`; sets off, in dB, and how much each value pulls, per power.
KITFOLD_VECTOR_CLONES void compare_values(const float* heard, const float* sum, const float* weight,
                                          std::size_t bins, float* off, float* pull, float* cost) {
    for (std::size_t i = 0; i < bins * kCourseLanes; i += kCourseLanes)
        for (std::size_t l = 0; l < kCourseLanes; ++l) {
            const float x = kDbPerDoubling * (heard[i + l] - quick_log2(sum[i + l]));
            const float z = x * x * weight[i + l], clipped = 1.0f / (1.0f + z / (kOutlier * kOutlier));
            cost[l] += z * clipped;
            pull[i + l] = weight[i + l] * clipped * clipped / sum[i + l], off[i + l] = x;
        }
}

KITFOLD_VECTOR_CLONES void add_pulls(const float* power, const float* off, const float* pull,
                                     std::size_t bins, float* pulls, float* grips) {
    for (std::size_t i = 0; i < bins * kCourseLanes; i += kCourseLanes)
        for (std::size_t l = 0; l < kCourseLanes; ++l) {
            const float w = pull[i + l] * power[i + l];
            pulls[l] += w * off[i + l], grips[l] += w;
        }
}

} // namespace

/// Power of everything.
void TimeCourses::add_up(std::span<const CoursePart> parts, const Moment& moment, Fit& fit) const {
    std::array<float, kBins> gone;
    for (std::size_t b = 0; b < moment.bins; ++b)
        gone[b] = fit.fall > 0.0f && bin_start(b) > 0 ? from_db(-fit.fall * static_cast<float>(bin_start(b)))
                                                      : 1.0f;
    for (std::size_t g = 0; g < groups_; ++g)
        for (std::size_t b = 0; b < moment.bins; ++b)
            for (std::size_t l = 0; l < kCourseLanes; ++l) {
                const auto i = (g * kBins + b) * kCourseLanes + l;
                fit.sum[i] = fit.before[i] = moment.before[g * kCourseLanes + l] * gone[b];
            }
    for (std::size_t p = 0; p < parts.size(); ++p) {
        Lanes gain;
        for (std::size_t l = 0; l < kCourseLanes; ++l) gain[l] = from_db(parts[p].gain_db[l % kCourseBands]);
        for (std::size_t g = 0; g < groups_; ++g) {
            const auto i = g * kBins * kCourseLanes;
            add_course(bins_of(parts[p]) + i, gain.data(), moment.bins, fit.power.data() + p * size_ + i,
                       fit.sum.data() + i);
        }
    }
}

/// What stays open. An outlier counts, but pulls no more.
float TimeCourses::compare(const Moment& moment, Fit& fit) const {
    Lanes cost{};
    for (std::size_t g = 0; g < groups_; ++g) {
        const auto i = g * kBins * kCourseLanes;
        compare_values(moment.heard.data() + i, fit.sum.data() + i, weight_.data() + i, moment.bins,
                       fit.off.data() + i, fit.pull.data() + i, cost.data());
    }
    return std::accumulate(cost.begin(), cost.end(), 0.0f);
}

void TimeCourses::adjust(CoursePart& part, const float* power, const Moment& moment, const Fit& fit) const {
    Lanes pulls{}, grips{};
    for (std::size_t g = 0; g < groups_; ++g) {
        const auto i = g * kBins * kCourseLanes;
        add_pulls(power + i, fit.off.data() + i, fit.pull.data() + i, moment.bins, pulls.data(),
                  grips.data());
    }
    std::array<float, kCourseBands> pull{}, grip{};
    float all_pull = 0.0f, all_grip = 0.3f;
    for (std::size_t l = 0; l < kCourseLanes; ++l) {
        pull[l % kCourseBands] += pulls[l], grip[l % kCourseBands] += grips[l];
        all_pull += pulls[l], all_grip += grips[l];
    }
    const float was = part.level_db();
    if (part.known) {
        constexpr float kHold = kPriorCounts / (kKnownDb * kKnownDb);
        all_pull += kHold * (part.known_db - was), all_grip += kHold;
    }
    const float level = std::clamp(all_pull / all_grip, -8.0f, 8.0f);
    for (std::size_t b = 0; b < kCourseBands; ++b) {
        constexpr float kHold = kPriorCounts / (kColourDb * kColourDb);
        const float colour = (pull[b] + grip[b] * (part.gain_db[b] - was - level)) / (grip[b] + kHold);
        part.gain_db[b] =
            std::clamp(was + level + std::clamp(colour, -kMostColourDb, kMostColourDb), -40.0f, 20.0f);
    }
}

/// What rang before rings on, more or less.
void TimeCourses::adjust_fall(const Moment& moment, Fit& fit) const {
    float pull = 0.0f, grip = 1.0f;
    for (auto b = static_cast<std::size_t>(1 - kFirst); b < moment.bins; ++b) {
        Lanes pulls{}, grips{};
        for (std::size_t g = 0; g < groups_; ++g) {
            const auto i = (g * kBins + b) * kCourseLanes;
            add_pulls(fit.before.data() + i, fit.off.data() + i, fit.pull.data() + i, 1, pulls.data(),
                      grips.data());
        }
        const auto t = static_cast<float>(bin_start(b));
        pull -= t * std::accumulate(pulls.begin(), pulls.end(), 0.0f);
        grip += t * t * std::accumulate(grips.begin(), grips.end(), 0.0f);
    }
    fit.fall = std::clamp(fit.fall + pull / grip, 0.0f, kFastestFall);
}

float TimeCourses::fit(std::vector<CoursePart>& parts, const Moment& moment, int rounds) const {
    Fit fit;
    for (auto* x : {&fit.before, &fit.sum, &fit.off, &fit.pull}) x->resize(size_);
    fit.power.resize(parts.size() * size_);
    add_up(parts, moment, fit);
    float cost = compare(moment, fit);
    for (int round = 0; round < rounds; ++round) {
        for (std::size_t p = 0; p < parts.size(); ++p)
            adjust(parts[p], fit.power.data() + p * size_, moment, fit);
        adjust_fall(moment, fit);
        add_up(parts, moment, fit);
        cost = compare(moment, fit);
    }
    for (const auto& p : parts) {
        const float level = p.level_db();
        for (const float g : p.gain_db)
            cost += kPriorCounts * (g - level) * (g - level) / (kColourDb * kColourDb);
        if (p.known)
            cost += kPriorCounts * (level - p.known_db) * (level - p.known_db) / (kKnownDb * kKnownDb);
    }
    return cost;
}

/// What examples say about one frame of a course, each with what may hide it.
struct TimeCourses::Saying {
    float hidden = 0.0f, power = 0.0f;
};

/// From the half that was hidden least.
float TimeCourses::agreed(std::vector<Saying>& sayings, double rank) {
    std::sort(sayings.begin(), sayings.end(), [](auto& a, auto& b) { return a.hidden < b.hidden; });
    std::vector<float> clear;
    for (std::size_t i = 0; i < std::max(std::min(sayings.size(), kFewest), sayings.size() / 2); ++i)
        clear.push_back(sayings[i].power);
    return std::max(quantile(clear, rank), kLeastSeen * sayings[0].hidden);
}

/// Power of all parts but one, as far as their courses are known; frame re that one's place.
float TimeCourses::others(std::span<const CoursePart> parts, const CoursePart& but, std::size_t channel,
                          std::ptrdiff_t frame) const {
    float sum = 0.0f;
    for (const auto& p : parts) {
        const auto at = frame + but.offset - p.offset + kAhead;
        if (&p == &but || !known_[p.voice] || at < 0 || at >= kLength) continue;
        sum += from_db(p.gain_db[channel % kCourseBands]) *
               course_[p.voice][channel * static_cast<std::size_t>(kLength) + static_cast<std::size_t>(at)];
    }
    return sum;
}

/// Adds what a moment says about the course of one of its parts.
void TimeCourses::listen(const Moment& moment, std::span<const CoursePart> parts, const CoursePart& part,
                         std::vector<std::vector<Saying>>& said) const {
    const auto end = std::min(bin_start(moment.bins) - part.offset, kLength - kAhead);
    for (std::size_t c = 0; c < channels_; ++c) {
        const float gain = from_db(part.gain_db[c % kCourseBands]), before = moment.before[c];
        for (auto f = -kAhead; f < end; ++f) {
            const float x = heard(c, moment.frame + part.offset + f), other = others(parts, part, c, f);
            const float hidden = known_[part.voice] ? other : parts.size() > 1 ? x : 0.0f;
            said[c * static_cast<std::size_t>(kLength) + static_cast<std::size_t>(f + kAhead)].push_back(
                {(before + hidden) / gain, (x - before - other) / gain});
        }
    }
}

void TimeCourses::learn(std::span<const Moment> moments, std::span<const std::vector<CoursePart>> parts) {
    constexpr std::size_t kEnough = 60;
    constexpr float kSofterDb = 6.0f, kFading = 0.98f;
    constexpr double kFirstRank = 0.35, kRank = 0.5; // what is not told apart yet only adds power
    for (std::size_t v = 0; v < course_.size(); ++v) {
        std::vector<float> levels;
        for (const auto& some : parts)
            for (const auto& p : some)
                if (p.voice == v) levels.push_back(p.level_db());
        const float softest = quantile(levels, 0.5) - kSofterDb;
        std::vector<std::vector<Saying>> said(channels_ * static_cast<std::size_t>(kLength));
        std::size_t examples = 0;
        for (std::size_t n = 0; n < moments.size() && examples < kEnough; ++n)
            for (const auto& p : parts[n])
                if (p.voice == v && p.level_db() >= softest)
                    listen(moments[n], parts[n], p, said), ++examples;
        if (examples < kFewest) continue;
        auto& course = course_[v];
        const double rank = course.empty() ? kFirstRank : kRank;
        course.resize(said.size());
        for (std::size_t k = 0; k < said.size(); ++k)
            if (said[k].size() >= kFewest)
                course[k] = agreed(said[k], rank);
            else if (k % static_cast<std::size_t>(kLength) > 0)
                course[k] = kFading * course[k - 1];
    }
    for (std::size_t v = 0; v < course_.size(); ++v)
        if (!course_[v].empty()) known_[v] = true, set_bins(v);
}

float TimeCourses::lasting_db(std::size_t mic, std::ptrdiff_t frame) const noexcept {
    float early = 1e-14f, late = 1e-14f;
    for (std::ptrdiff_t f = 0; f < 20; ++f)
        early += ears_[mic].energy(frame + f, 6), late += ears_[mic].energy(frame + 50 + f, 6);
    return decibels(late / early);
}

void TimeCourses::set_bins(std::size_t voice) {
    const auto length = static_cast<std::size_t>(kLength);
    auto& out = binned_[voice];
    out.assign(static_cast<std::size_t>(kLatest - kEarliest + 1) * size_, 0.0f);
    for (std::size_t c = 0; c < channels_; ++c) {
        std::vector<float> upto{0.0f};
        for (std::size_t i = 0; i < length; ++i) upto.push_back(upto.back() + course_[voice][c * length + i]);
        const auto at = [&](std::ptrdiff_t i) {
            return upto[static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(i, 0, kLength))];
        };
        for (auto o = kEarliest; o <= kLatest; ++o)
            for (std::size_t b = 0; b < kBins; ++b) {
                const auto first = bin_start(b), last = b + 1 < kBins ? bin_start(b + 1) : kLast;
                const auto i = static_cast<std::size_t>(o - kEarliest) * size_ + place(b, c);
                out[i] = std::max(0.0f, at(last - o + kAhead) - at(first - o + kAhead)) /
                         static_cast<float>(std::max<std::ptrdiff_t>(last - first, 1));
            }
    }
}

std::ptrdiff_t TimeCourses::onset(std::size_t voice) const {
    constexpr float kBegun = 0.15f; // of the most in the first frames
    constexpr std::ptrdiff_t kAttack = 20;
    const auto length = static_cast<std::size_t>(kLength);
    std::vector<float> starts;
    for (std::size_t c = 0; c < channels_; ++c) {
        const auto* x = course_[voice].data() + c * length;
        const float most = *std::max_element(x, x + kAhead + kAttack);
        std::ptrdiff_t i = 0;
        while (x[i] < kBegun * most) ++i;
        starts.push_back(static_cast<float>(i - kAhead));
    }
    return static_cast<std::ptrdiff_t>(quantile(starts, 0.5));
}

} // namespace kitfold::dsp
