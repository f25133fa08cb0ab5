#include "offline/check/against.h"
#include "core/median.h"
#include "offline/check/words.h"
#include "offline/session/like.h"
#include "offline/util/html.h"
#include "offline/util/json_number.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <map>
#include <nlohmann/json.hpp>
#include <optional>
#include <set>

namespace kitfold::offline {
namespace {

constexpr std::size_t kKinds = 8;
constexpr std::size_t kMostLines = 12; // a short list

struct KindWords {
    const char* name;  ///< in JSON
    const char* words; ///< of a person
    const char* unit;
    double least; ///< what is told at all; of a ring time relative
    int up_is;    ///< 1: more is better
    int decimals;
};
constexpr std::array<KindWords, kKinds> kWords{{{"level", "level against the other mics", "dB", 1.0, 0, 1},
                                                {"noise", "noise floor", "dB", 1.0, -1, 1},
                                                {"delay", "arrival", "ms", 0.15, 0, 2},
                                                {"mic_delay", "arrival", "ms", 0.15, 0, 2},
                                                {"sum", "sum", "dB", 1.0, 1, 1},
                                                {"low_sum", "sum below 200 Hz", "dB", 1.0, 1, 1},
                                                {"bleed", "bleed", "dB", 1.0, -1, 1},
                                                {"ring", "ring", "ms", 0.05, 0, 0}}};
const KindWords& words_of(ComparedKind kind) { return kWords[std::size_t(kind)]; }

using Key = std::pair<ComparedKind, std::string>;
using Figures = std::map<Key, double>;

using Gains = std::map<std::string, double>; // dB or ms, by the names in the take of now

/// What is said of two mics: that the first has changed by so much more than the other.
struct Row {
    std::string mic, other;
    double change = 0.0;
};

/// What each mic has changed by, if the middle one has not.
Gains settled(const std::vector<Row>& rows) {
    Gains gains;
    for (const auto& row : rows) gains[row.mic] = gains[row.other] = 0.0;
    constexpr int kRounds = 20; // it settles in a few
    for (int round = 0; round < kRounds; ++round) {
        std::vector<double> all;
        for (auto& [mic, gain] : gains) {
            std::vector<double> said;
            for (const auto& row : rows) {
                if (row.mic == mic) said.push_back(row.change + gains[row.other]);
                if (row.other == mic) said.push_back(gains[row.mic] - row.change);
            }
            gain = dsp::median(std::move(said));
            all.push_back(gain);
        }
        const double middle = dsp::median(std::move(all));
        for (auto& [mic, gain] : gains) gain -= middle;
    }
    return gains;
}

/// By how much each mic is louder in the take of now, by what it hears against the other mics: a drum's bleed
/// moves by the gain of the mic less that of the drum's own, however it was played. The middle mic stays.
Gains louder_now(const CheckResult& now, const CheckResult& then, const std::vector<std::string>& names) {
    std::vector<Row> rows;
    for (const auto& b : then.bleed)
        for (const auto& n : now.bleed) {
            const auto own = dsp::own_mic(now.names, n.drum);
            if (!own || *own == n.mic || n.drum != b.drum || names[b.mic] != now.names[n.mic].name ||
                b.upper_bound || n.upper_bound)
                continue;
            rows.push_back({names[b.mic], now.names[*own].name, n.level_db - b.level_db});
        }
    return settled(rows);
}

std::string words_of(const dsp::Pair& pair, const std::vector<std::string>& names) {
    return names[pair.a] + " / " + names[pair.b] + " on " + drum_words(*pair.drum);
}

/// What a take's figures are called: mics by their names in the take of now. @param names of its mics; empty:
/// not compared  @param gains since then: a preamp that was turned is no bleed
Figures figures_of(const CheckResult& r, const std::vector<std::string>& names, Gains gains) {
    Figures out;
    const auto put = [&](ComparedKind kind, const std::string& what, double value) {
        if (std::isfinite(value)) out[{kind, what}] = value;
    };
    for (std::size_t m = 0; m < r.mics.size(); ++m) {
        if (names[m].empty()) continue;
        if (const auto at = gains.find(names[m]); at != gains.end())
            put(ComparedKind::level, names[m], -at->second);
        if (r.mics[m].levels.noise_floor_dbfs > -150.0)
            put(ComparedKind::noise, names[m], r.mics[m].levels.noise_floor_dbfs);
    }
    for (std::size_t p = 0; p < r.pairs.size(); ++p) {
        const auto& pair = r.pairs[p];
        if (names[pair.a].empty() || names[pair.b].empty() || !pair.drum) continue;
        const auto what = words_of(pair, names);
        if (pair.judged()) put(ComparedKind::delay, what, pair.delay_ms);
        if (r.sums[p].strokes == 0) continue;
        put(ComparedKind::sum, what, r.sums[p].now.full_db);
        put(ComparedKind::low_sum, what, r.sums[p].now.low_db);
    }
    for (const auto& b : r.bleed)
        if (const auto own = dsp::own_mic(r.names, b.drum); own && !names[b.mic].empty() && !b.upper_bound)
            put(ComparedKind::bleed, drum_words(b.drum) + " in " + names[b.mic],
                b.level_db + gains[names[b.mic]] - gains[names[*own]]);
    for (const auto& ring : r.rings)
        if (ring.result.decay.judged())
            put(ComparedKind::ring, drum_words(ring.drum), ring.result.decay.ring_ms);
    return out;
}

double difference(ComparedKind kind, double then, double now) {
    return kind == ComparedKind::ring ? (now - then) / then : now - then;
}

/// How far figures lie apart between two halves of one take: each by itself where both halves have it, and of
/// each kind the root of the mean square, since one difference may be small by chance.
class Repeats {
public:
    Repeats(const Figures& first, const Figures& second) {
        std::array<double, kKinds> squares{}, counts{};
        for (const auto& [key, value] : first) {
            const auto at = second.find(key);
            if (at == second.end()) continue;
            const double apart = difference(key.first, value, at->second);
            own_[key] = std::abs(apart);
            squares[std::size_t(key.first)] += apart * apart, counts[std::size_t(key.first)] += 1.0;
        }
        for (std::size_t k = 0; k < kKinds; ++k)
            if (counts[k] > 0.0) of_kind_[k] = std::sqrt(squares[k] / counts[k]);
    }
    [[nodiscard]] double within(const Key& key) const {
        const auto at = own_.find(key);
        return std::max({at == own_.end() ? 0.0 : at->second, of_kind_[std::size_t(key.first)],
                         words_of(key.first).least});
    }

private:
    std::map<Key, double> own_;
    std::array<double, kKinds> of_kind_{};
};

std::vector<std::string> names_of(const CheckResult& r) {
    std::vector<std::string> out;
    for (const auto& mic : r.names) out.push_back(mic.name);
    return out;
}

std::vector<MicLabel> labels_of(const CheckResult& r) {
    std::vector<MicLabel> out;
    for (const auto& mic : r.names) out.push_back({mic.name, mic.role});
    return out;
}

/// A mic that hears every drum later than before by the same, against two mics or more, has been moved, or
/// its file has. Its pairs' arrivals go and it is told once.
void tell_moved_mics(const CheckResult& now, const std::vector<std::string>& names, const Figures& is,
                     const Figures& was, std::vector<ComparedFigure>& changed) {
    constexpr double kSameMs = 0.1;
    std::vector<Row> rows;
    std::vector<std::string> what;
    for (const auto& pair : now.pairs) {
        if (!pair.drum) continue;
        const Key key{ComparedKind::delay, words_of(pair, names)};
        const auto a = is.find(key), b = was.find(key);
        if (a == is.end() || b == was.end()) continue;
        rows.push_back({names[pair.b], names[pair.a], a->second - b->second});
        what.push_back(key.second);
    }
    const auto later = settled(rows);
    for (const auto& [mic, ms] : later) {
        std::set<std::string> others, pairs;
        bool alike = std::abs(ms) > words_of(ComparedKind::delay).least;
        for (std::size_t n = 0; n < rows.size(); ++n) {
            const auto& row = rows[n];
            if (row.mic != mic && row.other != mic) continue;
            others.insert(row.mic == mic ? row.other : row.mic), pairs.insert(what[n]);
            alike = alike && std::abs(row.change - later.at(row.mic) + later.at(row.other)) < kSameMs;
        }
        if (!alike || others.size() < 2) continue;
        std::erase_if(changed, [&](const ComparedFigure& f) {
            return f.kind == ComparedKind::delay && pairs.contains(f.what);
        });
        changed.push_back({ComparedKind::mic_delay, mic, 0.0, ms, words_of(ComparedKind::delay).least, 0});
    }
}

/// Towards nothing lost is better for a sum, less is better for bleed and noise; the rest is a matter of
/// taste.
int better(ComparedKind kind, double change) {
    const int up = words_of(kind).up_is;
    return change > 0.0 ? up : -up;
}

std::string line_of(const ComparedFigure& f) {
    const auto& w = words_of(f.kind);
    if (f.kind == ComparedKind::level)
        return fmt::format("{}, {}: {:+.1f} dB", f.what, w.words, f.now - f.then);
    if (f.kind == ComparedKind::mic_delay)
        return fmt::format("{} hears the kit {:.2f} ms {} than in that take", f.what, std::abs(f.now),
                           f.now > 0.0 ? "later" : "sooner");
    const auto number = [&](double v) { return fmt::format("{:.{}f}", v, w.decimals); };
    return fmt::format("{}, {}: {} {}, was {} ({:+.{}f})", f.what, w.words, number(f.now), w.unit,
                       number(f.then), f.now - f.then, w.decimals);
}

const char* heading(int better) { return better > 0 ? "Better" : better < 0 ? "Worse" : "Other"; }

} // namespace

Comparison compare_takes(const CheckResult& now, const CheckResult& first_half,
                         const CheckResult& second_half, const CheckResult& then, const std::string& other) {
    Comparison out;
    out.other = other;
    const auto matched = match_mics(labels_of(now), labels_of(then));
    for (const auto& notice : matched.notices) out.notices.push_back(notice.substr(0, notice.find(": left")));
    const auto here = names_of(now);
    std::vector<std::string> there(then.names.size());
    for (const auto& [m, o] : matched.pairs) there[o] = here[m];
    const auto of = [&](const CheckResult& r, const std::vector<std::string>& names) {
        return figures_of(r, names, louder_now(now, r, names));
    };
    const Repeats repeats(of(first_half, here), of(second_half, here));
    const auto is = of(now, here), was = of(then, there);
    for (const auto& [key, value] : is) {
        const auto at = was.find(key);
        if (at == was.end()) continue;
        ++out.compared;
        const double change = difference(key.first, at->second, value), within = repeats.within(key);
        if (std::abs(change) > within)
            out.changed.push_back(
                {key.first, key.second, at->second, value, within, better(key.first, change)});
    }
    out.differ = out.changed.size();
    tell_moved_mics(now, here, is, was, out.changed);
    const auto size = [](const ComparedFigure& f) {
        return std::abs(difference(f.kind, f.then, f.now)) / f.repeats_within;
    };
    std::stable_sort(out.changed.begin(), out.changed.end(),
                     [&](const auto& a, const auto& b) { return size(a) > size(b); });
    return out;
}

std::pair<Session, Session> halves_of(const Session& session, const CheckResult& result) {
    auto first = session, second = session;
    first.range.from_s = result.from_s;
    first.range.to_s = second.range.from_s = result.from_s + 0.5 * result.seconds;
    return {first, second};
}

std::string comparison_text(const Comparison& c) {
    std::string out =
        fmt::format("Against {}: {} of {} figures changed by more than repeats within this take\n", c.other,
                    c.differ, c.compared);
    const auto shown = std::min(c.changed.size(), kMostLines);
    for (const int side : {1, -1, 0})
        for (std::size_t i = 0; i < shown; ++i)
            if (c.changed[i].better == side)
                out += fmt::format("  {:<7} {}\n", heading(side), line_of(c.changed[i]));
    if (shown < c.changed.size())
        out += fmt::format("  and {} smaller ones: --json has all\n", c.changed.size() - shown);
    for (const auto& notice : c.notices) out += "  " + notice + "\n";
    return out;
}

std::string comparison_html(const Comparison& c) {
    std::string out =
        fmt::format("<section id=\"against\"><h2>Against {}</h2>\n<p>{} of {} figures changed by more "
                    "than repeats within this take.</p>\n<ul>\n",
                    escaped(c.other), c.differ, c.compared);
    for (const int side : {1, -1, 0})
        for (const auto& f : c.changed)
            if (f.better == side)
                out += fmt::format("<li><b>{}</b> {}</li>\n", heading(side), escaped(line_of(f)));
    for (const auto& notice : c.notices) out += "<li>" + escaped(notice) + "</li>\n";
    return out + "</ul></section>\n";
}

dsp::Json comparison_json(const Comparison& c) {
    dsp::Json changed = dsp::Json::array();
    for (const auto& f : c.changed)
        changed.push_back({{"kind", words_of(f.kind).name},
                           {"what", f.what},
                           {"then", rounded(f.then, 3)},
                           {"now", rounded(f.now, 3)},
                           {"repeats_within", rounded(f.repeats_within, 3)},
                           {"better", f.better == 0 ? dsp::Json(nullptr) : dsp::Json(f.better > 0)}});
    return {{"other", c.other}, {"compared", c.compared}, {"changed", changed}, {"notices", c.notices}};
}

} // namespace kitfold::offline
