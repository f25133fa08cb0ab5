#include "pairs/pairs.h"
#include "core/two_threads.h"
#include "pairs/drum_judge.h"
#include "pairs/wiring.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <memory>

namespace kitfold::dsp {

namespace {

bool stereo_pair(Role x, Role y) {
    return (x == Role::overhead_left && y == Role::overhead_right) ||
           (x == Role::room_left && y == Role::room_right);
}

using Judges = std::vector<std::unique_ptr<DrumJudge>>;

/// What a drum says of the place of a file: by how much it may be later than the one that the drum is lined
/// up on.
struct Lateness {
    std::size_t of = 0, re = 0;
    double least_ms = 0.0, most_ms = 0.0;
    [[nodiscard]] bool in_place() const { return least_ms <= 0.0 && most_ms >= 0.0; }
};

std::vector<Lateness> lateness_of(const DrumJudge& judge, std::span<const std::size_t> mics) {
    constexpr double kSearchMs = 40.0; // beyond it nobody takes two files for one take
    std::vector<Lateness> out;
    const auto on = judge.strokes().on();
    for (const auto m : mics) {
        if (m == on) continue;
        const auto usual = judge.usual(m);
        auto at = judge.sure_ms(m, usual);
        if (!at) at = judge.sure_ms(m, {-kSearchMs, kSearchMs});
        if (at) out.push_back({m, on, *at - usual.to_ms, *at - usual.from_ms});
    }
    return out;
}

/// Files are early or late by one time against the others, as far as what is known of them says so.
class ShiftSearch {
public:
    explicit ShiftSearch(std::size_t mics) : side_(mics, 0) {}

    /// None when what is known does not agree. One converter behind the others makes one group late, of a
    /// single file or more; two mics must say so of a file, three of a group.
    std::vector<ShiftedFile> run(std::span<const Lateness> known) {
        std::size_t out_of_place = 0;
        for (const auto& k : known)
            if (!k.in_place()) {
                const int of = k.least_ms > 0.0 ? 1 : -1;
                if (!put(k.of, of) || !put(k.re, -of)) return {};
                narrow(k, of);
                ++out_of_place;
            }
        if (out_of_place < 2 || least_ms_ > most_ms_) return {};
        for (bool more = true; more;) {
            more = false;
            for (const auto& k : known) {
                const auto news = k.in_place() ? hear(k) : false;
                if (!news) return {};
                more = more || *news;
            }
        }
        auto found = smaller_group();
        return found.size() == 1 || out_of_place >= 3 ? found : std::vector<ShiftedFile>{};
    }

private:
    bool put(std::size_t mic, int side) {
        if (side_[mic] == -side) return false;
        side_[mic] = side;
        return true;
    }
    /// @param of the side of k.of; k.re is on the other
    void narrow(const Lateness& k, int of) {
        least_ms_ = std::max(least_ms_, of > 0 ? k.least_ms : -k.most_ms);
        most_ms_ = std::min(most_ms_, of > 0 ? k.most_ms : -k.least_ms);
    }
    [[nodiscard]] bool allows(const Lateness& k, int sign) const {
        const double from = sign > 0 ? least_ms_ : -most_ms_, to = sign > 0 ? most_ms_ : -least_ms_;
        return k.least_ms <= to && k.most_ms >= from;
    }
    /// What two mics that may be in place say of their sides: whether it is news, or nothing when it does not
    /// agree.
    std::optional<bool> hear(const Lateness& k) {
        const int of = side_[k.of], re = side_[k.re];
        if (of == re) return false;
        if (of != 0 && re != 0) {
            narrow(k, of);
            return least_ms_ <= most_ms_ ? std::optional(false) : std::nullopt;
        }
        const int known = of != 0 ? of : re;
        if (allows(k, of != 0 ? known : -known)) return false; // it may be on either side
        side_[k.of] = side_[k.re] = known;
        return true;
    }
    [[nodiscard]] std::vector<ShiftedFile> smaller_group() const {
        const auto late = std::count(side_.begin(), side_.end(), 1);
        const int side = late <= std::count(side_.begin(), side_.end(), -1) ? 1 : -1;
        std::vector<ShiftedFile> out;
        for (std::size_t m = 0; m < side_.size(); ++m)
            if (side_[m] == side) out.push_back({m, side * 0.5 * (least_ms_ + most_ms_)});
        return out;
    }

    std::vector<int> side_; ///< 1: late, -1: where the others are; 0: not known
    double least_ms_ = 0.0, most_ms_ = 1e9;
};

constexpr double kOpenMs = 0.068; // 3 samples at 44.1 kHz

/// Delays add up: a to b to c is a to c. The delays of all judged pairs of a drum become differences of one
/// time per mic (least squares, by Gauss and Seidel; all pairs alike, so that none is moved much by what the
/// others say). What is moved too far by that was wrong somewhere.
void close_loops(std::vector<Pair>& pairs, std::size_t mics) {
    std::vector<double> at(mics, 0.0);
    for (int round = 0; round < 200; ++round)
        for (std::size_t m = 0; m < mics; ++m) {
            double sum = 0.0, count = 0.0;
            for (const auto& p : pairs) {
                if (!p.judged() || (p.a != m && p.b != m)) continue;
                sum += p.b == m ? at[p.a] + p.delay_ms : at[p.b] - p.delay_ms, count += 1.0;
            }
            if (count > 0.0) at[m] = sum / count;
        }
    for (auto& p : pairs) {
        if (!p.judged()) continue;
        const double closed = at[p.b] - at[p.a];
        if (std::abs(closed - p.delay_ms) > kOpenMs)
            p.confidence = 0.25, p.why_not = "their delay does not add up with those to other mics";
        p.delay_ms = closed;
    }
}

/// Whether the roles suggest to compare two mics, in this order, on a drum.
bool listed(std::span<const TakeMic> mics, std::size_t a, std::size_t b, std::optional<Drum> drum) {
    const Role x = mics[a].role, y = mics[b].role;
    return (own_drum(x) == drum && (heads_of_one_drum(x, y) || is_overhead(y))) || stereo_pair(x, y);
}

/// A stereo pair is judged on every drum that has a mic; the surest stays.
void keep_surest(std::vector<Pair>& pairs, std::span<const TakeMic> mics) {
    std::vector<Pair> kept;
    for (auto& pair : pairs) {
        const auto same = std::find_if(kept.begin(), kept.end(), [&](const Pair& k) {
            return k.a == pair.a && k.b == pair.b && stereo_pair(mics[k.a].role, mics[k.b].role);
        });
        if (same == kept.end())
            kept.push_back(std::move(pair));
        else if (pair.confidence > same->confidence)
            *same = std::move(pair);
    }
    pairs = std::move(kept);
}

/// Stereo pairs of a take in which no drum has a mic of its own.
void add_unjudged(std::vector<Pair>& pairs, std::span<const TakeMic> mics) {
    for (std::size_t a = 0; a < mics.size(); ++a)
        for (std::size_t b = 0; b < mics.size(); ++b) {
            if (!stereo_pair(mics[a].role, mics[b].role)) continue;
            if (std::any_of(pairs.begin(), pairs.end(), [&](const Pair& p) { return p.a == a && p.b == b; }))
                continue;
            Pair pair;
            pair.a = a, pair.b = b, pair.why_not = "no close mic whose drum both hear";
            pairs.push_back(std::move(pair));
        }
}

} // namespace

PairFindings judge_pairs(const Take& take, std::span<const Hit> hits) {
    // Snare and kick first: they are the loudest, and stereo pairs keep the first among equals.
    constexpr std::array kOrder{Drum::kick,      Drum::snare,       Drum::rack_tom, Drum::rack_tom_2,
                                Drum::floor_tom, Drum::floor_tom_2, Drum::hihat,    Drum::ride};
    std::vector<std::size_t> mics;
    for (std::size_t m = 0; m < take.mics.size(); ++m)
        if (take.mics[m].role != Role::other) mics.push_back(m);
    std::vector<Drum> drums;
    for (const auto d : kOrder)
        if (own_mic(take.mics, d)) drums.push_back(d);
    Judges judges(drums.size());
    std::vector<std::vector<Pair>> judged(drums.size());
    std::vector<std::vector<Lateness>> lateness(drums.size());
    on_two_threads(drums.size(), [&](std::size_t n) {
        judges[n] = std::make_unique<DrumJudge>(take, hits, drums[n], *own_mic(take.mics, drums[n]), mics);
        lateness[n] = lateness_of(*judges[n], mics);
    });
    PairFindings out;
    std::vector<Lateness> known;
    for (const auto& of_drum : lateness) known.insert(known.end(), of_drum.begin(), of_drum.end());
    std::vector<double> late_ms(take.mics.size(), 0.0);
    out.shifted = ShiftSearch(take.mics.size()).run(known);
    for (const auto& file : out.shifted) late_ms[file.mic] = file.late_ms;
    on_two_threads(drums.size(), [&](std::size_t n) {
        judges[n]->set_late(late_ms);
        for (const auto a : mics)
            for (const auto b : mics) {
                if (listed(take.mics, a, b, drums[n]) || (a < b && !listed(take.mics, b, a, drums[n])))
                    judged[n].push_back(judges[n]->judge(a, b));
            }
        close_loops(judged[n], take.mics.size());
    });
    std::vector<FirstMovement> movements;
    for (std::size_t n = 0; n < drums.size(); ++n) {
        for (auto& p : judged[n]) {
            if (p.judged() && p.first_movement != 0)
                movements.push_back({drums[n], p.a, p.b, p.first_movement});
            if (listed(take.mics, p.a, p.b, p.drum)) out.pairs.push_back(std::move(p));
        }
        out.strokes.push_back({drums[n], {}});
        for (const double at : judges[n]->strokes().times())
            out.strokes.back().at.push_back(std::llround(at));
    }
    out.upside_down = upside_down(take.mics, movements);
    std::erase_if(out.upside_down, [&](std::size_t m) { return take.mics[m].inverted; });
    keep_surest(out.pairs, take.mics);
    add_unjudged(out.pairs, take.mics);
    return out;
}

} // namespace kitfold::dsp
