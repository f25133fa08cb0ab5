#include "hits/names.h"
#include "core/median.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <tuple>

namespace kitfold::dsp {

namespace {

constexpr float kDarkestPlateDb = -11.0f, kBrightestSnareDb = -4.0f; // top_db, see sounds_like()
// body_db(): of a kit at three pitches ghosts have -4 dB and more, its hi-hats less than -5.7; loud snares 2
// and more.
constexpr float kLeastBodyDb = -5.0f, kPlainBodyDb = 2.0f;
// Snares struck softer are at most 5 dB darker, on nine of them; kicks struck with something else no brighter
// than this.
constexpr float kDarkerDb = 10.0f;
constexpr float kAlikeDb = 4.0f;  // one drum struck elsewhere or otherwise
constexpr float kOneTomDb = 2.2f; // the nearest two toms of a real kit differ by that and more

constexpr float kBeyondDoubtDb = 12.0f; // eight times what one place's strokes differ by
constexpr float kFarLessDb = 24.0f;     // no drum's own places differ so in its own mic

constexpr float kAheadMs = 2.0f; // 70 cm: what a close mic hears so much sooner than all others is its drum

constexpr float kSureDb = 10.0f; // a mic 15 cm from a drum, the next half a metre away (1/r)

constexpr std::size_t kFew = 2; // strokes may be chance: they count for a drum that has no more

/// Power of two prints, each turned up by so much.
Print together(const Print& a, float a_db, const Print& b, float b_db) {
    Print out{std::vector<float>(a.db.size()), std::vector<float>(a.db.size())};
    for (std::size_t c = 0; c < a.db.size(); ++c) {
        const float x = from_db(a.db[c] + a_db), y = from_db(b.db[c] + b_db);
        out.db[c] = kDbPerDoubling * quick_log2(x + y + 1e-20f);
        out.variance[c] = shown(x > y ? a : b, c) ? 0.0f : kFar;
    }
    return out;
}

constexpr float kUnsureDb = 3.0f; // of the gain that follows: what a channel scatters

/// Gain at which `part` explains as much of `whole` as it can without being louder.
float most_db(const Print& part, const Print& whole) {
    constexpr double kAllBut = 0.1; // of the cells: some show less by chance
    std::vector<float> room;
    for (std::size_t c = 0; c < part.db.size(); ++c)
        if (shown(part, c)) room.push_back(whole.db[c] - part.db[c]);
    return quantile(room, kAllBut);
}

/// How well two places struck together look like a third.
float apart_from_both_db(const Print& whole, const Print& a, const Print& b) {
    const float a_db = most_db(a, whole), b_db = most_db(b, whole);
    float least = kFar;
    for (const float da : {-kUnsureDb, 0.0f, kUnsureDb})
        for (const float db : {-kUnsureDb, 0.0f, kUnsureDb})
            least = std::min(least, apart_db(whole, together(a, a_db + da, b, b_db + db)));
    return least;
}

/// Two others struck together: neither alone looks like it, both do. What is hardly another place is no part
/// of one that is struck more often.
std::optional<std::pair<std::size_t, std::size_t>> composite(std::span<const Place> places, std::size_t of) {
    // Chosen, not derived: two levels that are free fit somewhat better than one whatever it is. The latter
    // where it is hardly another place.
    constexpr float kBetter = 0.7f, kSomeBetter = 0.85f;
    const auto& whole = places[of].print;
    std::vector<float> alone;
    for (const auto& p : places) alone.push_back(apart_db(whole, p.print));
    const auto rather_it = [&](std::size_t i) {
        return alone[i] < kSpreadDb && places[i].members.size() < places[of].members.size();
    };
    for (std::size_t i = 0; i < places.size(); ++i)
        for (std::size_t j = 0; j < i; ++j) {
            if (i == of || j == of || rather_it(i) || rather_it(j)) continue;
            const float both = apart_from_both_db(whole, places[i].print, places[j].print);
            const float either = std::min(alone[i], alone[j]);
            if (both < kSpreadDb && both < (either < kSpreadDb ? kSomeBetter : kBetter) * either)
                return std::pair(i, j);
        }
    return std::nullopt;
}

/// Cells in which one of two places struck together is far below what is heard.
std::vector<bool> clear_of(const Print& part, const Print& whole) {
    constexpr float kFarBelowDb = 10.0f; // adds 0.4 dB to what is heard
    const float gain_db = most_db(part, whole) + kUnsureDb;
    std::vector<bool> out;
    for (std::size_t c = 0; c < part.db.size(); ++c)
        out.push_back(shown(whole, c) && part.db[c] + gain_db < whole.db[c] - kFarBelowDb);
    return out;
}

/// The fewest strokes first. @return by place that stays: strokes on it and another
std::vector<std::vector<Together>> take_out_composites(std::vector<Place>& places) {
    std::vector<std::vector<Together>> also(places.size());
    for (std::size_t j = places.size(); places.size() > 2 && j-- > 0;)
        if (const auto both = composite(places, j)) {
            const auto [a, b] = *both;
            also[a].push_back({places[j].members, clear_of(places[b].print, places[j].print)});
            also[b].push_back({places[j].members, clear_of(places[a].print, places[j].print)});
            places.erase(places.begin() + static_cast<std::ptrdiff_t>(j));
            also.erase(also.begin() + static_cast<std::ptrdiff_t>(j));
        }
    return also;
}

using BandRange = std::pair<std::size_t, std::size_t>;

/// Bands that speak for a drum in its own mic.
BandRange voice_bands(Drum d) {
    if (d == Drum::kick) return {0, 2};
    return is_plate(d) ? BandRange{5, 8} : BandRange{1, 7};
}

/// How much lower than all else a kick is in its mic.
float low_db(const Place& place, std::size_t own) {
    constexpr float kMostDb = 10.0f; // under kBeyondDoubtDb: by sound alone none is
    const float* db = place.print.db.data() + own * kScanBands;
    return std::clamp(db[0] - (db[1] + db[2] + db[3]) / 3.0f, -kMostDb, kMostDb);
}

class Namer {
public:
    Namer(std::span<const Place> places, std::span<const TakeMic> mics, std::vector<Arrivals> arrivals_ms);
    std::vector<std::optional<Drum>> names();
    [[nodiscard]] bool two_at_once(std::size_t place) const;

private:
    struct Claim {
        Drum drum = Drum::kick;
        std::size_t own = 0;
        std::vector<float> lead_db; ///< of its mic over the others, by place; at most, where it hears nothing
        /// The same, of a cymbal's mic over the overheads: a head that is struck with it is loud in its own.
        std::vector<float> beside_heads_db;
        std::vector<std::size_t> heard;       ///< in how many of its bands
        float most_lead_db = -kFar;           ///< where it is heard
        std::optional<std::size_t> core = {}; ///< where it leads most, of what is named so
    };
    [[nodiscard]] float lead_db(const Claim& c, std::size_t place, std::span<const std::size_t> others) const;
    [[nodiscard]] Claim claim(Drum drum, std::size_t own) const;
    [[nodiscard]] std::optional<float> ahead_ms(const Claim& c, std::size_t place) const;
    [[nodiscard]] float stands_out_db(const Claim& c, std::size_t place) const;
    [[nodiscard]] bool may_be(const Claim& c, std::size_t place) const;
    [[nodiscard]] float short_db(const Claim& c, std::size_t core, std::size_t place) const;
    [[nodiscard]] bool alike(const Claim& c, std::size_t core, std::size_t place) const;
    [[nodiscard]] std::optional<float> farthest_db(const Claim& c, std::size_t core) const;
    [[nodiscard]] std::optional<std::size_t> core_of(const Claim& c, std::span<const std::size_t> may) const;
    void give(Claim& c);
    [[nodiscard]] std::optional<float> kick_misnamed_db() const;
    [[nodiscard]] std::optional<std::size_t> covered(const Claim& c) const;
    [[nodiscard]] std::optional<std::size_t> heard_first(const Claim& c,
                                                         std::span<const std::size_t> among) const;
    [[nodiscard]] float loudest_db(std::size_t place, std::size_t band,
                                   std::span<const std::size_t> mics) const;
    [[nodiscard]] float above(std::size_t place, std::size_t band) const {
        return loudest_db(place, band, above_[place]);
    }
    [[nodiscard]] float top_db(std::size_t place) const;
    [[nodiscard]] float body_db(std::size_t place) const;
    /// As bright as either may be, but not in the snare's mic, it is a head.
    [[nodiscard]] bool plate(std::size_t place) const {
        const float top = top_db(place);
        return top > (body_db(place) < kPlainBodyDb ? kDarkestPlateDb : kBrightestSnareDb);
    }
    [[nodiscard]] bool sounds_like(Drum drum, std::size_t place) const;
    [[nodiscard]] bool tom(std::size_t place) const;
    [[nodiscard]] float pitch(std::size_t place) const;
    [[nodiscard]] bool struck_with(const Claim& c, std::size_t place) const;
    void name_toms(std::vector<std::size_t> toms);
    void name_the_rest();

    std::span<const Place> places_;
    std::span<const TakeMic> mics_;
    std::vector<Arrivals> arrivals_ms_; ///< by place
    std::vector<Claim> claims_;         ///< of the drums with a mic
    std::vector<std::optional<Drum>> names_;
    std::optional<float> kick_db_ = {};           ///< how bright the kick is, where its mic doesn't tell
    std::vector<std::vector<std::size_t>> above_; ///< by place: mics over the kit that hear it, or all
};

Namer::Namer(std::span<const Place> places, std::span<const TakeMic> mics, std::vector<Arrivals> arrivals_ms)
    : places_(places), mics_(mics), arrivals_ms_(std::move(arrivals_ms)), names_(places.size()) {
    for (const auto& p : places) {
        std::vector<std::size_t> over, all(mics.size());
        std::iota(all.begin(), all.end(), 0);
        for (const auto m : all)
            if (is_overhead(mics[m].role) &&
                std::any_of(p.print.variance.begin() + static_cast<std::ptrdiff_t>(m * kScanBands),
                            p.print.variance.begin() + static_cast<std::ptrdiff_t>((m + 1) * kScanBands),
                            [](float v) { return v < kFar; }))
                over.push_back(m);
        above_.push_back(over.empty() ? all : over);
    }
}

/// Of a drum's mic over the mean of others, in the bands that it hears, or in all.
float Namer::lead_db(const Claim& c, std::size_t place, std::span<const std::size_t> others) const {
    const auto& print = places_[place].print;
    const auto [first, last] = voice_bands(c.drum);
    float heard = 0.0f, heard_bands = 0.0f, any = 0.0f;
    for (auto b = first; b < last; ++b) {
        float mean = 0.0f;
        for (const auto m : others) mean += print.db[m * kScanBands + b];
        const auto own = c.own * kScanBands + b;
        const float lead = print.db[own] - mean / std::max(static_cast<float>(others.size()), 1.0f);
        any += lead;
        if (shown(print, own)) heard += lead, heard_bands += 1.0f;
    }
    return heard_bands > 0.0f ? heard / heard_bands : any / static_cast<float>(last - first);
}

Namer::Claim Namer::claim(Drum drum, std::size_t own) const {
    Claim out;
    out.drum = drum, out.own = own;
    std::vector<std::size_t> others, over;
    for (std::size_t m = 0; m < mics_.size(); ++m) {
        if (own_drum(mics_[m].role) != drum && !is_room(mics_[m].role)) others.push_back(m);
        if (is_overhead(mics_[m].role)) over.push_back(m);
    }
    const auto [first, last] = voice_bands(drum);
    for (std::size_t j = 0; j < places_.size(); ++j) {
        const auto voice = places_[j].print.variance.begin() + static_cast<std::ptrdiff_t>(own * kScanBands);
        out.heard.push_back(static_cast<std::size_t>(std::count_if(voice + static_cast<std::ptrdiff_t>(first),
                                                                   voice + static_cast<std::ptrdiff_t>(last),
                                                                   [](float v) { return v < kFar; })));
        out.lead_db.push_back(lead_db(out, j, others));
        if (drum == Drum::kick) out.lead_db.back() += low_db(places_[j], own);
        if (out.heard.back() > 0) out.most_lead_db = std::max(out.most_lead_db, out.lead_db.back());
        out.beside_heads_db.push_back(is_plate(drum) && !over.empty() ? lead_db(out, j, over)
                                                                      : out.lead_db.back());
    }
    return out;
}

float Namer::loudest_db(std::size_t place, std::size_t band, std::span<const std::size_t> mics) const {
    float most = -kFar;
    for (const auto m : mics)
        if (const auto c = m * kScanBands + band; shown(places_[place].print, c))
            most = std::max(most, places_[place].print.db[c]);
    return most;
}

/// How loud the top two bands are re the loudest below: over the kit, or where that is too soft, anywhere.
float Namer::top_db(std::size_t place) const {
    std::vector<std::size_t> all(mics_.size());
    std::iota(all.begin(), all.end(), 0);
    for (const auto& mics : {above_[place], all}) {
        float top = -kFar, low = -kFar;
        for (std::size_t b = 0; b < kFirstTopBand; ++b) low = std::max(low, loudest_db(place, b, mics));
        for (std::size_t b = kFirstTopBand; b < kScanBands; ++b)
            top = std::max(top, loudest_db(place, b, mics));
        if (top > -kFar) return top - low;
    }
    return -kFar;
}

/// How loud the head's own octaves, 340 Hz to 1.4 kHz, are in the snare's mic re the top there. A ghost is
/// mostly wires and as bright over the kit as a hi-hat; but what bleeds in of a cymbal has no such body.
float Namer::body_db(std::size_t place) const {
    constexpr std::size_t kBody = 3; // the first of two bands
    const auto own = own_mic(mics_, Drum::snare);
    if (!own || !shown(places_[place].print, *own * kScanBands + kBody)) return -kFar;
    const float* db = places_[place].print.db.data() + *own * kScanBands;
    return 0.5f * (db[kBody] + db[kBody + 1]) - *std::max_element(db + kFirstTopBand, db + kScanBands);
}

/// What sounds like it: between the two a soft snare is as bright as an open hi-hat.
bool Namer::sounds_like(Drum drum, std::size_t place) const {
    const float top = top_db(place);
    if (kick_db_ && drum == Drum::kick) return top < *kick_db_ + kDarkerDb;
    if (kick_db_ && drum == Drum::snare && top < *kick_db_ + kDarkerDb) return false;
    if (drum != Drum::snare) return plate(place) == is_plate(drum);
    return top < kBrightestSnareDb || body_db(place) > kLeastBodyDb;
}

/// A head without wires.
bool Namer::tom(std::size_t place) const {
    constexpr float kLeastFallDb = 14.0f; // what a channel scatters, 3 dB, darker than the darkest plate
    float most = -kFar;
    std::size_t peak = 0;
    for (std::size_t b = 0; b < kScanBands; ++b)
        if (above(place, b) > most) most = above(place, b), peak = b;
    return peak >= 1 && peak <= 3 && above(place, 6) < most - kLeastFallDb;
}

/// By how much a drum's mic stands out at a place against what it does at others of its kind: in level, and
/// in how soon it hears it. A file that is late is so for all places.
float Namer::stands_out_db(const Claim& c, std::size_t place) const {
    // Where bleed is as loud as the drum, who hears it first tells. By that alone no place is beyond doubt.
    constexpr float kPerMsDb = 3.0f, kMostMs = kBeyondDoubtDb / kPerMsDb;
    constexpr double kOthers = 0.25; // rank: up to three quarters of the places may be this drum's
    std::vector<float> leads, aheads;
    for (std::size_t j = 0; j < places_.size(); ++j) {
        if (j == place || plate(j) != is_plate(c.drum)) continue;
        leads.push_back(c.lead_db[j]);
        if (const auto ahead = ahead_ms(c, j)) aheads.push_back(*ahead);
    }
    const auto ahead = ahead_ms(c, place);
    const float sooner = ahead && !aheads.empty() ? *ahead - quantile(aheads, kOthers) : 0.0f;
    return c.lead_db[place] - quantile(leads, kOthers) + kPerMsDb * std::clamp(sooner, -kMostMs, kMostMs);
}

/// By how much a drum's mic hears a place before all others do.
std::optional<float> Namer::ahead_ms(const Claim& c, std::size_t place) const {
    const auto& arrival = arrivals_ms_[place];
    std::optional<float> least;
    for (std::size_t m = 0; arrival[c.own] && m < mics_.size(); ++m)
        if (arrival[m] && own_drum(mics_[m].role) != c.drum && !is_room(mics_[m].role))
            least = std::min(least.value_or(kFar), *arrival[m] - *arrival[c.own]);
    return least;
}

/// No other drum's mic stands out more there. One that leads far less than elsewhere claims nothing: most
/// places may be one drum's, and then all others' mics stand out at some of them.
bool Namer::may_be(const Claim& c, std::size_t place) const {
    const auto far_less = [&](const Claim& o) { return o.most_lead_db - o.lead_db[place] > kFarLessDb; };
    if (c.heard[place] == 0 || !sounds_like(c.drum, place) || far_less(c)) return false;
    const float mine = stands_out_db(c, place);
    return std::none_of(claims_.begin(), claims_.end(), [&](const Claim& o) {
        return o.drum != c.drum && sounds_like(o.drum, place) && o.heard[place] && !far_less(o) &&
               stands_out_db(o, place) > mine;
    });
}

/// Where a drum's mic stands out beyond doubt, and nearly as at most, though it sounds otherwise: one that is
/// never struck without a cymbal, or a mic under another's name. Its ring under others' strokes is less.
std::optional<std::size_t> Namer::covered(const Claim& c) const {
    std::optional<std::size_t> best;
    for (std::size_t j = 0; j < places_.size(); ++j)
        if (c.heard[j] && plate(j) != is_plate(c.drum) && c.lead_db[j] > kBeyondDoubtDb &&
            stands_out_db(c, j) > kBeyondDoubtDb && c.most_lead_db - c.lead_db[j] < kBeyondDoubtDb &&
            std::none_of(claims_.begin(), claims_.end(),
                         [&](const Claim& o) { return stands_out_db(o, j) > stands_out_db(c, j); }) &&
            (!best || places_[j].members.size() > places_[*best].members.size()))
            best = j;
    return best;
}

/// The place most often struck of those that a drum's mic hears long before all others.
std::optional<std::size_t> Namer::heard_first(const Claim& c, std::span<const std::size_t> among) const {
    std::optional<std::size_t> most;
    for (const auto j : among)
        if (ahead_ms(c, j).value_or(0.0f) > kAheadMs &&
            (!most || places_[j].members.size() > places_[*most].members.size()))
            most = j;
    return most;
}

float Namer::short_db(const Claim& c, std::size_t core, std::size_t place) const {
    return c.beside_heads_db[core] - c.beside_heads_db[place];
}

bool Namer::alike(const Claim& c, std::size_t core, std::size_t place) const {
    constexpr float kPerLeadDb = 0.3f; // a lead that is 13 dB less is of no place alike, however it sounds
    return apart_db(places_[core].print, places_[place].print) +
               kPerLeadDb * std::abs(short_db(c, core, place)) <
           kAlikeDb;
}

/// By how much its mic leads less elsewhere; none where all places of its kind are like one.
std::optional<float> Namer::farthest_db(const Claim& c, std::size_t core) const {
    std::optional<float> most_db;
    for (std::size_t j = 0; j < places_.size(); ++j)
        if (plate(j) == is_plate(c.drum) && !alike(c, core, j))
            most_db = std::max(most_db.value_or(0.0f), short_db(c, core, j));
    return most_db;
}

/// The place that leads most in a drum's mic. Where it leads nowhere, that which it hears long before all
/// other mics do, if any: the drum's strokes may be all that there are.
std::optional<std::size_t> Namer::core_of(const Claim& c, std::span<const std::size_t> may) const {
    constexpr float kLeadDb = 3.0f; // what a channel scatters: by less a mic leads nowhere
    const auto bands = voice_bands(c.drum);
    const auto rank = [&](auto j) {
        const bool fills_its_mic = 2 * c.heard[j] >= bands.second - bands.first;
        return std::tuple(plate(j) == is_plate(c.drum), fills_its_mic, c.lead_db[j]);
    };
    const auto best =
        std::max_element(may.begin(), may.end(), [&](auto a, auto b) { return rank(a) < rank(b); });
    if (best == may.end() || plate(*best) != is_plate(c.drum)) return std::nullopt;
    const auto far_db = farthest_db(c, *best);
    const bool leads =
        !far_db || c.lead_db[*best] >= kSureDb || std::max(*far_db, stands_out_db(c, *best)) >= kLeadDb;
    return leads ? std::optional(*best) : heard_first(c, may);
}

/// Its name to the place that leads most in its mic, to what is like it, and to what leads nearly as much.
void Namer::give(Claim& c) {
    constexpr float kKickDb = 10.0f;   // chosen, not derived: toms that its mic hears well would be kicks
    constexpr float kPlateDb = 10.0f;  // at 6 a ride with its own mic lost places
    constexpr float kFarKickDb = 5.0f; // in front of the kick a mic hears toms nearly as well
    std::vector<std::size_t> may;
    for (std::size_t j = 0; j < places_.size(); ++j)
        if (may_be(c, j)) may.push_back(j);
    const auto core = core_of(c, may), other = covered(c);
    if (!core || (other && c.lead_db[*core] < 0.0f)) { // its mic leads nowhere among its own kind
        if (other) names_[*other] = c.drum;
        return;
    }
    const float near_db = c.drum == Drum::kick ? (kick_db_ ? kFarKickDb : kKickDb)
                          : is_plate(c.drum)   ? kPlateDb
                                               : 0.5f * farthest_db(c, *core).value_or(0.0f);
    const auto sure = [&](std::size_t j) {
        return !is_plate(c.drum) && c.lead_db[j] > kBeyondDoubtDb &&
               (short_db(c, *core, j) < kSureDb || stands_out_db(c, j) > 2.0f * kBeyondDoubtDb);
    };
    c.core = core;
    for (const auto j : may)
        if (!names_[j] && (j == *core || short_db(c, *core, j) < near_db || sure(j) ||
                           (alike(c, *core, j) && c.drum != Drum::kick)))
            names_[j] = c.drum;
}

/// A kick without a mic, or whose mic stands in front and hears it after the snare's: that one stands out
/// more there. But nothing else in a kit is as dark: what lies far below a drum, and below all others, is not
/// that drum played otherwise. @return how bright the kick is, where it went under another's name
std::optional<float> Namer::kick_misnamed_db() const {
    const auto of = [&](Drum drum) {
        return std::find_if(claims_.begin(), claims_.end(), [=](const Claim& c) { return c.drum == drum; });
    };
    const auto kick = of(Drum::kick), snare = of(Drum::snare);
    std::optional<std::size_t> darkest;
    for (std::size_t j = 0; j < places_.size(); ++j)
        if (!plate(j) && top_db(j) > -kFar && (kick == claims_.end() || kick->heard[j]) &&
            (!darkest || top_db(j) < top_db(*darkest)))
            darkest = j;
    if (!darkest || names_[*darkest] != Drum::snare) return std::nullopt;
    const float db = top_db(*darkest);
    const auto far_below = [&](const Claim& c) { return c.core && db < top_db(*c.core) - kDarkerDb; };
    if (kick != claims_.end() && kick->core && !far_below(*kick) &&
        kick->lead_db[*darkest] <= kick->lead_db[*kick->core])
        return std::nullopt;
    return snare != claims_.end() && far_below(*snare) ? std::optional(db) : std::nullopt;
}

/// Middle of the power below 1 kHz in the overheads, in bands.
float Namer::pitch(std::size_t place) const {
    float sum = 0.0f, all = 1e-20f;
    for (std::size_t b = 0; b < 4; ++b) {
        const float x = from_db(above(place, b));
        sum += x * static_cast<float>(b), all += x;
    }
    return sum / all;
}

/// Toms that no mic names, highest first, as far as there are names left, those of drums with a mic before
/// all: one whose mic hears it no better than the others do is plugged in wrongly, but it is played.
void Namer::name_toms(std::vector<std::size_t> toms) {
    constexpr std::array kToms{Drum::rack_tom, Drum::rack_tom_2, Drum::floor_tom, Drum::floor_tom_2};
    std::vector<Drum> left;
    for (const Drum d : kToms)
        if (std::find(names_.begin(), names_.end(), d) == names_.end()) left.push_back(d);
    const auto no_mic = [&](Drum d) { return !own_mic(mics_, d); };
    if (!std::all_of(left.begin(), left.end(), no_mic)) std::erase_if(left, no_mic);
    std::stable_sort(toms.begin(), toms.end(), [&](auto a, auto b) { return pitch(a) > pitch(b); });
    std::size_t next = 0;
    for (std::size_t i = 0; i < toms.size() && !left.empty(); ++i) {
        if (i > 0 && apart_db(places_[toms[i]].print, places_[toms[i - 1]].print) > kOneTomDb)
            next = std::min(next + 1, left.size() - 1);
        names_[toms[i]] = left[next];
    }
}

/// Its mic leads there by more than halfway between all else and the drum itself.
bool Namer::struck_with(const Claim& c, std::size_t place) const {
    if (!c.core) return false;
    const float least = *std::min_element(c.lead_db.begin(), c.lead_db.end());
    return c.lead_db[place] > 0.5f * (least + c.lead_db[*c.core]);
}

void Namer::name_the_rest() {
    const auto there = [&](Drum d) { return std::find(names_.begin(), names_.end(), d) != names_.end(); };
    const bool others_known = there(Drum::kick) && there(Drum::snare);
    std::vector<std::size_t> toms;
    for (std::size_t j = 0; j < places_.size(); ++j) {
        if (names_[j]) continue;
        const bool near_a_mic = std::any_of(claims_.begin(), claims_.end(), [&](const Claim& c) {
            return ahead_ms(c, j).value_or(0.0f) > kAheadMs || (c.drum == Drum::snare && struck_with(c, j));
        });
        if (plate(j))
            names_[j] = Drum::cymbals;
        else if (others_known && tom(j) && !near_a_mic)
            toms.push_back(j);
    }
    // Two strokes that look like one, and like no other: a snare and a hi-hat do by chance.
    if (toms.size() == 1 && places_[toms[0]].members.size() <= kFew) return;
    name_toms(std::move(toms));
}

/// Two drums struck at once: the mic of each leads by more than it does where the other is struck by itself,
/// and nearly as it does at its own.
bool Namer::two_at_once(std::size_t place) const {
    constexpr float kTellsDb = 6.0f;   // four times what one place's strokes differ by
    constexpr float kNearlyDb = 12.0f; // the other drum is heard in the mics that it is compared with
    const auto leads = [&](const Claim& c, const Claim& o) {
        const auto& lead_db = c.beside_heads_db;
        return c.heard[place] && lead_db[place] > lead_db[*c.core] - kNearlyDb &&
               (!c.heard[*o.core] || lead_db[place] > lead_db[*o.core] + kTellsDb);
    };
    for (const auto& a : claims_)
        for (const auto& b : claims_)
            if (a.drum < b.drum && (names_[place] == a.drum || names_[place] == b.drum) && a.core && b.core &&
                a.core != place && b.core != place && leads(a, b) && leads(b, a))
                return true;
    return false;
}

std::vector<std::optional<Drum>> Namer::names() {
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (const auto own = own_mic(mics_, static_cast<Drum>(d)))
            claims_.push_back(claim(static_cast<Drum>(d), *own));
    for (auto& c : claims_) give(c);
    if (kick_db_ = kick_misnamed_db(); kick_db_) {
        names_.assign(places_.size(), std::nullopt);
        for (auto& c : claims_) c.core.reset(), give(c);
    }
    name_the_rest();
    return names_;
}

/// Whether a drum's own mic hears only ghosts of it at a place, next to another that is like it: what loud
/// strokes do in other mics, those can't show.
bool ghosts_beside(const Place& place, const Place& other, Drum drum, std::span<const TakeMic> mics) {
    constexpr float kGhostDb = 10.0f; // chosen, not derived: nearer ones show what loud strokes do
    const auto own = own_mic(mics, drum);
    const auto loudest = [&](const Place& p) {
        const auto first = p.print.db.begin() + static_cast<std::ptrdiff_t>(*own * kScanBands);
        return *std::max_element(first, first + kScanBands);
    };
    return own && loudest(place) < loudest(other) - kGhostDb && apart_db(place.print, other.print) < kAlikeDb;
}

} // namespace

std::vector<NamedPlace> name_places(std::vector<Place> places, std::span<const TakeMic> mics,
                                    const ArrivalsOf& arrivals_ms) {
    const auto also = take_out_composites(places);
    std::vector<Arrivals> arrivals;
    for (const auto& p : places) arrivals.push_back(arrivals_ms(p));
    Namer namer(places, mics, std::move(arrivals));
    const auto names = namer.names();
    std::vector<bool> stays;
    for (std::size_t j = 0; j < places.size(); ++j) stays.push_back(!namer.two_at_once(j));
    const auto often = [&](std::size_t j) { return places[j].members.size() > kFew; };
    const auto often_elsewhere = [&](std::size_t j) {
        for (std::size_t i = 0; i < places.size(); ++i)
            if (stays[i] && names[i] == names[j] && often(i) &&
                (!names[j] || !ghosts_beside(places[i], places[j], *names[j], mics)))
                return true;
        return false;
    };
    std::vector<NamedPlace> out;
    for (std::size_t j = 0; j < places.size(); ++j)
        if (stays[j] && (often(j) || (names[j] && !often_elsewhere(j))))
            out.push_back({places[j], names[j], also[j]});
    return out;
}

} // namespace kitfold::dsp
