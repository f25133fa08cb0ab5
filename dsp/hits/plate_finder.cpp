#include "hits/plate_finder.h"
#include "hits/hit_math.h"
#include <future>
#include <limits>

namespace kitfold::dsp {

namespace {

constexpr std::ptrdiff_t kOneMoment = 24; // frames
constexpr std::ptrdiff_t kSamePlace = 6;  // frames; nearer beginnings are searched as one
constexpr std::ptrdiff_t kSearchFrom = -6, kSearchTo = 9,
                         kSearchStep = 3; // frames re a beginning: one may cover another
constexpr int kMostSteps = 3;
constexpr float kLoudDb = 10.0f;  // under a drum's loud strokes
constexpr float kLongerDb = 8.0f; // an open hi-hat lasts that much longer than most strokes
constexpr float kOverDb = 8.0f;   // what is over so much sooner than the longest is no crash
constexpr float kLeastGain = 22.0f, kLeastShare = 0.06f; // cost that a cymbal has to take away
constexpr float kExpectedShare = 0.03f;                  // where a mic of its own has shown it already
constexpr float kFaintDb = -8.0f;                        // a drum's own top end may be as loud
constexpr float kFaintGain = 80.0f, kFaintShare = 0.25f; // for these
constexpr float kCrashGain = 130.0f;                     // a crash is never faint
constexpr float kExplained = 0.6f; // cost per value that no second cymbal would take away
constexpr float kSecondGain = 200.0f, kSecondShare = 0.35f; // two cymbals at once are rare
constexpr float kSoftDb = -4.0f, kSoftCost = 8.0f;          // per dB: what is soft has to explain more
constexpr float kNotAtAll = 1e30f;
constexpr std::size_t kMostPlates = 2;
constexpr int kRounds = 5;            // of a fit
constexpr std::size_t kFinalists = 2; // voices whose place is searched well
constexpr std::size_t kLessons = 200; // moments that are enough to learn from

/// Mean level of a source in the bright bands of a listener, dB.
float bright_db(const Source& s, std::size_t listener) {
    constexpr std::size_t kFirstBright = 5;
    float sum = 0.0f;
    for (auto b = kFirstBright; b < kScanBands; ++b) sum += decibels(s.shape[listener * kScanBands + b]);
    return sum / static_cast<float>(kScanBands - kFirstBright);
}

/// By how much more a listener prefers one source to another than the overheads do, dB; very little if it
/// hardly hears it.
float prefers_db(const Listeners& who, std::size_t listener, const Source& source, const Source& to) {
    constexpr float kHardlyDb = -25.0f, kNotAtAllDb = -100.0f;
    float above = kNotAtAllDb, loudest = kNotAtAllDb;
    for (const auto o : who.overheads) {
        above = std::max(above, bright_db(source, o) - bright_db(to, o));
        loudest = std::max(loudest, bright_db(source, o));
    }
    if (bright_db(source, listener) < loudest + kHardlyDb) return kNotAtAllDb;
    return bright_db(source, listener) - bright_db(to, listener) - above;
}

/// Overheads, what is put up for a cymbal, and as many more as cost nothing: the close mics that a crash
/// covers least, since they stand near a hi-hat or ride or with their back to the crash.
std::vector<std::size_t> mics_of(const Listeners& who, std::span<const Source> sources,
                                 const NullBeam& beam) {
    constexpr std::size_t kMost = 2 * kCourseLanes / kCourseBands;
    constexpr float kWorthDb = 3.0f;
    std::vector<std::size_t> mics;
    for (const auto o : who.overheads) mics.push_back(who.mics[o]);
    for (const auto& [drum, place] : who.own)
        if (is_plate(drum)) mics.push_back(who.mics[place]);
    std::vector<std::pair<float, std::size_t>> more;
    for (std::size_t m = 0; m < who.mics.size(); ++m) {
        if (!who.near[m] || is_plate(*who.near[m])) continue;
        float most = kWorthDb;
        for (const auto& s : sources)
            for (const auto& crash : sources)
                if (is_plate(s.drum) && !s.own && s.drum != Drum::cymbals && crash.drum == Drum::cymbals)
                    most = std::max(most, prefers_db(who, m, s, crash));
        if (most > kWorthDb) more.emplace_back(-most, who.mics[m]);
    }
    std::sort(more.begin(), more.end());
    for (const auto& m : more)
        if (mics.size() + (beam.any() ? 1 : 0) < kMost) mics.push_back(m.second);
    return mics;
}

class PlateFinder {
public:
    PlateFinder(std::span<const Ear> ears, const Listeners& who, std::span<const Source> sources,
                const NullBeam& beam)
        : who_(who), courses_(ears, mics_of(who, sources, beam), beam, 2 * sources.size()),
          sources_(sources) {
        for (std::size_t s = 0; s < sources.size(); ++s)
            if (is_plate(sources[s].drum)) plates_.insert(plates_.end(), {2 * s + 1, 2 * s});
    }
    [[nodiscard]] std::vector<KnownStroke> credible(std::span<const KnownStroke> first_idea) const;
    void gather(std::span<const KnownStroke> strokes, std::span<const std::ptrdiff_t> frames);
    void explain_first(std::size_t count);
    void explain_all() { explain_first(moments_.size()); }
    void learn() { courses_.learn(moments_, parts_); }
    [[nodiscard]] std::vector<KnownStroke> plates(std::span<const KnownStroke> first_idea) const;
    [[nodiscard]] bool any() const { return !plates_.empty(); }

private:
    struct Attempt {
        float cost = 0.0f;
        std::vector<CoursePart> parts;
    };
    [[nodiscard]] float least_gain(const Attempt& attempt, std::size_t moment, float cost,
                                   std::size_t count) const;
    [[nodiscard]] bool expected(const Attempt& attempt, std::size_t moment) const;
    void set_moments(std::span<const KnownStroke> strokes, std::span<const std::ptrdiff_t> frames);
    [[nodiscard]] std::vector<std::size_t> voices_of(std::span<const KnownStroke> strokes) const;
    void explain(std::size_t moment);
    [[nodiscard]] float settle(std::vector<CoursePart>& parts, const Moment& moment) const;
    [[nodiscard]] Attempt with_plate(const std::vector<CoursePart>& parts, std::size_t voice,
                                     std::ptrdiff_t offset, std::size_t moment, int rounds) const;
    [[nodiscard]] Attempt best_plate(const std::vector<CoursePart>& parts, std::size_t moment) const;

    [[nodiscard]] float lasting_db(const KnownStroke& s) const {
        const auto own = sources_[s.source].own;
        return courses_.lasting_db(who_.mics[own ? *own : who_.overheads[0]], s.frame);
    }

    const Listeners& who_;
    TimeCourses courses_;
    std::span<const Source> sources_;
    std::vector<std::size_t> plates_;    ///< voices
    std::vector<std::ptrdiff_t> firsts_; ///< frames of the moments
    std::vector<Moment> moments_;
    std::vector<std::vector<CoursePart>> parts_, certain_;
    std::vector<std::vector<CoursePart>> ideas_;      ///< of cymbals with a mic of their own
    std::vector<std::vector<std::ptrdiff_t>> places_; ///< frames after the moment near which something began
};

/// Moments begin where something was struck and last until the next one does.
void PlateFinder::set_moments(std::span<const KnownStroke> strokes, std::span<const std::ptrdiff_t> frames) {
    constexpr std::ptrdiff_t kNever = std::numeric_limits<std::ptrdiff_t>::max() / 2;
    std::vector<std::ptrdiff_t> starts(frames.begin(), frames.end());
    for (const auto& s : strokes) starts.push_back(s.frame);
    std::sort(starts.begin(), starts.end());
    for (const auto f : starts) {
        if (firsts_.empty() || f > firsts_.back() + kOneMoment) firsts_.push_back(f), places_.emplace_back();
        auto& places = places_.back();
        const auto place = f - firsts_.back();
        if (places.empty() || place > places.back() + kSamePlace) places.push_back(place);
    }
    for (std::size_t n = 0; n < firsts_.size(); ++n)
        moments_.push_back(courses_.moment(firsts_[n], n + 1 < firsts_.size() ? firsts_[n + 1] : kNever));
    parts_.resize(moments_.size()), certain_.resize(moments_.size()), ideas_.resize(moments_.size());
}

/// Voice 2 s + 1 is a source as it is struck most, 2 s the other way: a drum struck softly, since its ring
/// does not grow with its attack; a cymbal that rings on, as an open hi-hat.
std::vector<std::size_t> PlateFinder::voices_of(std::span<const KnownStroke> strokes) const {
    std::vector<std::vector<float>> measure(sources_.size());
    const auto measured = [&](const KnownStroke& s) {
        return is_plate(sources_[s.source].drum) ? -lasting_db(s) : s.strength_db;
    };
    for (const auto& s : strokes) measure[s.source].push_back(measured(s));
    std::vector<float> least(sources_.size());
    for (std::size_t s = 0; s < least.size(); ++s)
        least[s] = is_plate(sources_[s].drum) ? quantile(measure[s], 0.5) - kLongerDb
                                              : quantile(measure[s], 0.8) - kLoudDb;
    std::vector<std::size_t> voices;
    for (const auto& s : strokes) voices.push_back(2 * s.source + (measured(s) > least[s.source] ? 1 : 0));
    return voices;
}

/// A first idea takes a hi-hat or ride together with a hard snare for a crash; played more often than crashes
/// are, they would be what a crash is learned from.
std::vector<KnownStroke> PlateFinder::credible(std::span<const KnownStroke> first_idea) const {
    const auto crash = [&](const KnownStroke& s) { return sources_[s.source].drum == Drum::cymbals; };
    std::vector<float> lasting;
    for (const auto& s : first_idea)
        if (crash(s)) lasting.push_back(lasting_db(s));
    const float least_db = quantile(lasting, 0.9) - kOverDb;
    std::vector<KnownStroke> out;
    std::copy_if(first_idea.begin(), first_idea.end(), std::back_inserter(out),
                 [&](const KnownStroke& s) { return !crash(s) || lasting_db(s) >= least_db; });
    return out;
}

void PlateFinder::gather(std::span<const KnownStroke> strokes, std::span<const std::ptrdiff_t> frames) {
    set_moments(strokes, frames);
    const auto voices = voices_of(strokes);
    for (std::size_t i = 0; i < strokes.size(); ++i) {
        const auto& s = strokes[i];
        const auto next = std::upper_bound(firsts_.begin(), firsts_.end(), s.frame);
        const auto n = static_cast<std::size_t>(next - firsts_.begin()) - 1;
        CoursePart p;
        p.voice = voices[i], p.offset = s.frame - firsts_[n];
        p.known = !is_plate(sources_[s.source].drum), p.known_db = s.strength_db;
        p.gain_db.fill(s.strength_db);
        parts_[n].push_back(p);
        if (!p.known && sources_[s.source].own) ideas_[n].push_back(p);
        if (!p.known) continue;
        certain_[n].push_back(p);
        // A drum that comes right after is heard in this moment as well.
        if (n > 0 && s.frame - firsts_[n - 1] <= TimeCourses::kLatest) {
            p.offset = s.frame - firsts_[n - 1];
            certain_[n - 1].push_back(p);
        }
    }
}

/// A drum's onset is known to a frame: its attack lasts no longer, so it is put right first.
float PlateFinder::settle(std::vector<CoursePart>& parts, const Moment& m) const {
    float cost = courses_.fit(parts, m, kRounds);
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const auto centre = parts[i].offset;
        for (const std::ptrdiff_t d : {-1, 1}) {
            auto moved = parts;
            moved[i].offset = centre + d;
            if (const float c = courses_.fit(moved, m, 2); c < cost) cost = c, parts = std::move(moved);
        }
    }
    return cost;
}

PlateFinder::Attempt PlateFinder::with_plate(const std::vector<CoursePart>& parts, std::size_t voice,
                                             std::ptrdiff_t offset, std::size_t n, int rounds) const {
    Attempt a{0.0f, parts};
    CoursePart p;
    p.voice = voice, p.offset = offset;
    a.parts.push_back(p);
    a.cost = courses_.fit(a.parts, moments_[n], rounds);
    a.cost += kSoftCost * std::max(0.0f, kSoftDb - a.parts.back().level_db());
    return a;
}

/// The plate, and the place for it, that explain most: all of them roughly, then the best few well.
PlateFinder::Attempt PlateFinder::best_plate(const std::vector<CoursePart>& parts, std::size_t n) const {
    std::vector<Attempt> rough;
    for (const auto v : plates_) {
        if (!courses_.known(v) ||
            std::any_of(parts.begin(), parts.end(), [&](auto& p) { return p.voice / 2 == v / 2; }))
            continue;
        Attempt best{1e30f, {}};
        for (const auto place : places_[n])
            for (auto o = kSearchFrom; o <= kSearchTo; o += kSearchStep)
                if (auto a = with_plate(parts, v, place + o, n, 1); a.cost < best.cost) best = std::move(a);
        if (!best.parts.empty()) rough.push_back(std::move(best));
    }
    std::stable_sort(rough.begin(), rough.end(), [](auto& a, auto& b) { return a.cost < b.cost; });
    if (rough.size() > kFinalists) rough.resize(kFinalists);
    Attempt best{1e30f, {}};
    for (const auto& r : rough) {
        auto own = with_plate(parts, r.parts.back().voice, r.parts.back().offset, n, kRounds);
        for (const std::ptrdiff_t step : {-1, 1})
            for (int steps = 0; steps < kMostSteps; ++steps) {
                const auto& p = own.parts.back();
                auto a = with_plate(parts, p.voice, p.offset + step, n, kRounds);
                if (a.cost >= own.cost) break;
                own = std::move(a);
            }
        if (own.cost < best.cost) best = std::move(own);
    }
    return best;
}

/// Whether the last part of an attempt has a mic of its own, which showed it in the first pass.
bool PlateFinder::expected(const Attempt& attempt, std::size_t n) const {
    constexpr std::ptrdiff_t kNear = 4;
    const auto& p = attempt.parts.back();
    return std::any_of(ideas_[n].begin(), ideas_[n].end(), [&](const CoursePart& i) {
        return i.voice / 2 == p.voice / 2 && std::abs(i.offset - p.offset) <= kNear;
    });
}

/// By which an attempt has to be better than the `cost` without its last part, the `count`-th cymbal.
float PlateFinder::least_gain(const Attempt& attempt, std::size_t n, float cost, std::size_t count) const {
    const auto& plate = attempt.parts.back();
    const bool faint = plate.level_db() < kFaintDb;
    if (count > 0) return faint ? kNotAtAll : std::max(kSecondGain, kSecondShare * cost);
    if (expected(attempt, n)) return std::max(kLeastGain, kExpectedShare * cost);
    if (faint) return std::max(kFaintGain, kFaintShare * cost);
    const bool crash = sources_[plate.voice / 2].drum == Drum::cymbals; // loud enough to show well
    return std::max(crash ? kCrashGain : kLeastGain, kLeastShare * cost);
}

void PlateFinder::explain(std::size_t n) {
    const auto& m = moments_[n];
    for (auto& p : certain_[n])
        if (!courses_.known(p.voice)) p.voice ^= 1; // better a loud stroke's course than none
    std::erase_if(certain_[n], [&](const CoursePart& p) { return !courses_.known(p.voice); });
    Attempt now{0.0f, certain_[n]};
    now.cost = settle(now.parts, m);
    for (std::size_t count = 0; count < kMostPlates; ++count) {
        if (count > 0 && now.cost < kExplained * courses_.values(m)) break;
        auto best = best_plate(now.parts, n);
        if (best.parts.empty() || now.cost - best.cost < least_gain(best, n, now.cost, count)) break;
        now = std::move(best);
    }
    parts_[n] = std::move(now.parts);
}

void PlateFinder::explain_first(std::size_t count) {
    const auto last = std::min(count, moments_.size());
    const auto half = [&](std::size_t first) {
        for (auto n = first; n < last; n += 2) explain(n);
    };
    auto other = std::async(std::launch::async, half, 1);
    half(0);
    other.get();
}

/// Of a source that was struck too rarely to learn its course, the first idea stays.
std::vector<KnownStroke> PlateFinder::plates(std::span<const KnownStroke> first_idea) const {
    std::vector<KnownStroke> out;
    for (std::size_t n = 0; n < moments_.size(); ++n)
        for (const auto& p : parts_[n])
            if (!p.known && courses_.known(p.voice))
                out.push_back({p.voice / 2, firsts_[n] + p.offset + courses_.onset(p.voice), p.level_db()});
    for (const auto& s : first_idea)
        if (is_plate(sources_[s.source].drum) && !courses_.known(2 * s.source) &&
            !courses_.known(2 * s.source + 1))
            out.push_back(s);
    return out;
}

} // namespace

std::vector<KnownStroke> find_plates(std::span<const Ear> ears, const Listeners& who,
                                     std::span<const Source> sources, std::span<const KnownStroke> strokes,
                                     std::span<const std::ptrdiff_t> frames, const NullBeam& beam) {
    constexpr int kPasses = 3;
    PlateFinder finder(ears, who, sources, beam);
    if (!finder.any()) return {};
    const auto credible = finder.credible(strokes);
    finder.gather(credible, frames);
    finder.learn(); // once more below, with what sounds together told apart
    for (int pass = 0; pass < kPasses; ++pass) {
        finder.learn();
        pass + 1 < kPasses ? finder.explain_first(kLessons) : finder.explain_all();
    }
    return finder.plates(credible);
}

} // namespace kitfold::dsp
