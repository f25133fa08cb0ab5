#include "offline/check/words.h"
#include "core/units.h"
#include <algorithm>
#include <cctype>
#include <cmath>
#include <fmt/format.h>
#include <fmt/ranges.h>

namespace kitfold::offline {
namespace {

using dsp::Drum;
using dsp::FaultKind;
using dsp::Role;

constexpr double kHighestLevelDb = 12.0; // of a mic, in the session
constexpr double kMonoLossDb = 3.0;
constexpr double kPairLossDb = 3.0; // of two mics' sum, where cancellation is heard beyond doubt

const std::string& name(const CheckResult& r, std::size_t mic) { return r.names[mic].name; }

/// A mic's name inside a sentence: "kick in", but "OH L" and "SM" keep their capitals.
std::string inside(const std::string& s) {
    if (s.size() < 2 || !std::islower(static_cast<unsigned char>(s[1]))) return s;
    auto out = s;
    out[0] = char(std::tolower(static_cast<unsigned char>(out[0])));
    return out;
}

std::string ms(double value) { return fmt::format("{:.{}f} ms", value, std::abs(value) < 0.995 ? 2 : 1); }

std::string level(double db) {
    const double whole = std::round(db) + 0.0; // no -0
    return fmt::format("{}{:.0f} dB", whole > 0.0 ? "+" : "", whole);
}

std::string when(const CheckResult& r, const dsp::Fault& f) {
    return f.at_s ? " at " + place_in_take(r.from_s + *f.at_s) : std::string();
}

std::string times(std::size_t n) { return n == 1 ? "once" : n == 2 ? "twice" : fmt::format("{} times", n); }

struct Remedy {
    std::string source, software;
};

Remedy order_remedy(dsp::Misplaced ground) {
    switch (ground) {
    case dsp::Misplaced::by_side:
        return {"Exchange the two cables or inputs.",
                "Exchange the two files or the pans of the overheads in the session; if the kit is seen from "
                "the audience or played left-handed, the pans of the close mics."};
    case dsp::Misplaced::by_pitch:
        return {"Tap both mics and look which meter moves; exchange the two cables or inputs.",
                "Exchange the two files in the session, then check again: until then the other figures stand "
                "under wrong names."};
    case dsp::Misplaced::by_arrival:
        return {"Tap both mics and look which meter moves; exchange the two cables or inputs.",
                "Exchange the two files in the session, then check again."};
    case dsp::Misplaced::late:
        return {"Tap the mic and look which meter moves: is it the one on that drum?",
                "Put the right file in the session, then check again."};
    }
    return {};
}

Remedy remedy(const dsp::Fault& f) {
    switch (f.kind) {
    case FaultKind::clipped:
        return {"Turn the preamp down 6 dB or switch its pad in, and play the loudest bar again.",
                "What was cut off stays cut off: use another take of this mic, or keep it low."};
    case FaultKind::hum:
        return {
            fmt::format(
                "Balanced cable, away from mains leads and dimmers; one outlet for all; lift the shield of a "
                "doubled ground at the audio side, never the mains earth."),
            "A high-pass above the drum's lowest partial, or a gate, hides it between the hits only."};
    case FaultKind::dc:
        return {"Look for a faulty preamp, or switch in its low cut.",
                "A high-pass at 20 to 35 Hz takes it out."};
    case FaultKind::dropout:
        return {"Reseat cable and connector; on the computer a larger buffer; then record again.",
                "Nothing brings the gap back: cover it from another take."};
    case FaultKind::crackle:
        return {"With the monitors turned down, move each plug and bend the cable along its length until it "
                "crackles; change it, then record again.",
                "A single click can be cut out by hand; a gate hides those between the hits only."};
    case FaultKind::silent:
        return {"Check the patch, the mute and, for condensers, phantom power (never switch it near a ribbon "
                "mic).",
                "Take the mic out of the session."};
    case FaultKind::identical:
        return {"One of the two inputs is patched twice: trace the cable.", "Mute one of the two."};
    case FaultKind::rate:
        return {"Set every device to one rate and one clock, and record again.",
                "Export or convert this file to the rate of the others; a file that only says the wrong rate "
                "needs its header "
                "put right, not a conversion."};
    case FaultKind::length:
        return {"Start and stop all tracks together, and look for a full disk.",
                "Export all tracks from one common start to one common end."};
    case FaultKind::low_level:
        return {"Turn the preamp up until the loudest strokes peak 6 to 18 dB under full scale.",
                "Raise its level; the noise comes up as well."};
    case FaultKind::polarity:
        return {"Look for a turned-over cable or a polarity switch; mics on opposite sides of a head are "
                "upside down by "
                "nature.",
                "Turned over in the session it raises no sum by 1 dB without harm to another: it can stay."};
    case FaultKind::channel_order:
        return order_remedy(f.misplaced);
    }
    return {};
}

/// Two mics that are exchanged make one verdict.
bool said_of_the_other(const CheckResult& r, const dsp::Fault& f) {
    if (f.kind != FaultKind::channel_order || f.misplaced == dsp::Misplaced::late) return false;
    return f.misplaced == dsp::Misplaced::by_side ? f.mic != r.image.right : f.mic > *f.other;
}

/// What makes every other figure of its mic worthless comes first, then what costs the take, then what can be
/// lived with.
int rank(FaultKind kind) {
    switch (kind) {
    case FaultKind::silent:
    case FaultKind::channel_order:
    case FaultKind::rate:
    case FaultKind::identical:
        return 0;
    case FaultKind::clipped:
    case FaultKind::dropout:
    case FaultKind::crackle:
    case FaultKind::length:
        return 1;
    default:
        return 2;
    }
}

void add_faults(const CheckResult& r, std::vector<Verdict>& out) {
    std::vector<dsp::Fault> faults;
    for (const auto& mic : r.mics)
        for (const auto& f : mic.faults)
            if (f.kind != FaultKind::polarity && !said_of_the_other(r, f)) // a note, or said by a fix
                faults.push_back(f);
    std::stable_sort(faults.begin(), faults.end(),
                     [](const auto& a, const auto& b) { return rank(a.kind) < rank(b.kind); });
    for (const auto& f : faults) {
        const auto help = remedy(f);
        out.push_back({Weight::fix,
                       name(r, f.mic) + ": " + fault_detail(r, f) + ".",
                       help.source,
                       help.software,
                       {f.mic}});
        if (f.other) out.back().mics.push_back(*f.other);
    }
}

/// "Flip kick out and delay it by 2.7 ms"
std::string fix_words(const CheckResult& r, const MicFix& fix) {
    const auto mic = inside(name(r, fix.mic)), wait = ms(fix.delay_ms - r.names[fix.mic].delay_ms);
    if (!fix.moves) return "flip " + mic;
    return fix.flips ? fmt::format("flip {} and delay it by {}", mic, wait)
                     : fmt::format("delay {} by {}", mic, wait);
}

/// "+5.1 dB below 200 Hz (-4.0 to +1.1)"
std::string rise_words(double from, double to, const char* where) {
    return fmt::format("{:+.1f} dB {} ({:+.1f} to {:+.1f})", to - from, where, from, to);
}

/// What a person reads of a pair that a fix is proposed for.
std::string action_words(const CheckResult& r, std::size_t pair) {
    std::string text;
    for (const auto& fix : r.fixes)
        if (fix.pair == pair) text += (text.empty() ? "" : ", ") + fix_words(r, fix);
    const auto& sum = r.sums[pair];
    return fmt::format("{}: {}, {}.", capital(text),
                       rise_words(sum.now.low_db, sum.after.low_db, "below 200 Hz"),
                       rise_words(sum.now.full_db, sum.after.full_db, "over all"));
}

/// What would be if one of the two were turned over, and why it isn't.
std::string leave_words(const dsp::PairSum& sum) {
    const double low = sum.turned.low_db - sum.now.low_db, full = sum.turned.full_db - sum.now.full_db;
    const auto figures = fmt::format("{:+.1f} dB below 200 Hz and {:+.1f} dB over all", low, full);
    if (std::max(low, full) < 1.0)
        return fmt::format("Leave it: turning one of them over would bring {}.", figures);
    return fmt::format(
        "Leave it: turning one of them over would bring {} here, but not without harm, or not on "
        "most strokes.",
        figures);
}

/// The other sums that a pair's fix changes by what can be heard.
std::vector<std::string> other_sums(const CheckResult& r, std::size_t pair,
                                    const std::vector<std::size_t>& mics) {
    constexpr double kTold_db = 0.5;
    std::vector<std::string> out;
    const auto moved = [&](std::size_t mic) {
        return std::find(mics.begin(), mics.end(), mic) != mics.end();
    };
    for (std::size_t p = 0; p < r.pairs.size(); ++p) {
        const auto& sum = r.sums[p];
        if (p == pair || sum.strokes == 0 || !r.pairs[p].drum ||
            (!moved(r.pairs[p].a) && !moved(r.pairs[p].b)))
            continue;
        if (std::abs(sum.after.full_db - sum.now.full_db) < kTold_db) continue;
        out.push_back(fmt::format("{} with {} on {}: {}.", name(r, r.pairs[p].a),
                                  inside(name(r, r.pairs[p].b)), drum_words(*r.pairs[p].drum),
                                  rise_words(sum.now.full_db, sum.after.full_db, "over all")));
    }
    return out;
}

/// What the room can do instead of the session.
std::string close_source(const CheckResult& r, std::size_t pair) {
    std::string flipped;
    bool moves = false;
    for (const auto& fix : r.fixes) {
        if (fix.pair != pair) continue;
        if (fix.flips) flipped += (flipped.empty() ? "" : " and ") + inside(name(r, fix.mic));
        moves = moves || fix.moves;
    }
    std::string out;
    if (!flipped.empty())
        out = "Turn the polarity switch at the preamp of " + flipped + ", or look for a turned-over cable.";
    if (moves)
        out += fmt::format(
            "{}The path lengths differ by {:.0f} cm: move the nearer mic back as far as the kit allows.",
            out.empty() ? "" : " ", path_cm(r.pairs[pair].delay_ms));
    return out;
}

double gain_db(const CheckResult& r, std::size_t pair) {
    const auto& sum = r.sums[pair];
    return std::max(sum.after.low_db - sum.now.low_db, sum.after.full_db - sum.now.full_db);
}

void add_fixes(const CheckResult& r, std::vector<Verdict>& out) {
    std::vector<std::size_t> pairs;
    for (std::size_t p = 0; p < r.pairs.size(); ++p)
        if (fix_for(r, p)) pairs.push_back(p);
    std::stable_sort(pairs.begin(), pairs.end(),
                     [&](std::size_t a, std::size_t b) { return gain_db(r, a) > gain_db(r, b); });
    for (const auto p : pairs) {
        Verdict v{Weight::fix, pair_advice(r, p), close_source(r, p),
                  "kitfold check --apply writes it into the session."};
        for (const auto& fix : r.fixes)
            if (fix.pair == p) v.mics.push_back(fix.mic);
        v.also = other_sums(r, p, v.mics), v.pair = p, v.at_the_kit = false;
        out.push_back(v);
    }
}

/// Two mics that take from each other whatever is set.
bool loses(const CheckResult& r, std::size_t pair) {
    const auto& after = r.sums[pair].after;
    return r.sums[pair].strokes > 0 && std::min(after.full_db, after.low_db) < -kPairLossDb;
}

void add_losses(const CheckResult& r, std::vector<Verdict>& out) {
    for (std::size_t p = 0; p < r.pairs.size(); ++p)
        if (loses(r, p))
            out.push_back(
                {Weight::look,
                 fmt::format("{} and {} take from each other on {}: {:+.1f} dB below 200 Hz, {:+.1f} dB "
                             "over all. No flip or delay mends it without harm.",
                             name(r, r.pairs[p].a), inside(name(r, r.pairs[p].b)),
                             drum_words(*r.pairs[p].drum), r.sums[p].after.low_db, r.sums[p].after.full_db),
                 "Move one of the two a hand's breadth and check again.",
                 "Turn one of them down, or leave it out.",
                 {r.pairs[p].a, r.pairs[p].b}});
}

void add_wiring(const CheckResult& r, std::vector<Verdict>& out) {
    for (std::size_t m = 0; m < r.mics.size(); ++m)
        for (const auto& f : r.mics[m].faults) {
            const auto* fix = r.fix_of(m);
            if (f.kind != FaultKind::polarity || (fix != nullptr && fix->flips)) continue;
            const auto help = remedy(f);
            out.push_back({Weight::look,
                           fmt::format("Wiring: {} is upside down. When a drum is struck it moves against at "
                                       "least two other mics first.",
                                       inside(name(r, m))),
                           help.source,
                           help.software,
                           {m}});
        }
    if (r.shifted.empty()) return;
    std::vector<std::string> names;
    std::vector<std::size_t> mics;
    for (const auto& s : r.shifted) names.push_back(inside(name(r, s.mic))), mics.push_back(s.mic);
    const bool one = mics.size() == 1;
    const double late_ms = r.shifted.front().late_ms;
    out.push_back({Weight::look,
                   fmt::format("The file{} of {} {} some {:.0f} ms {} against all others, more than a kit "
                               "explains.",
                               one ? "" : "s", listed(names), one ? "lies" : "lie", std::abs(late_ms),
                               late_ms > 0.0 ? "late" : "early"),
                   "Look for a converter or a digital link that is behind the others.",
                   one ? "Move the file to where the others start."
                       : "Move these files together to where the others start, and check again.",
                   mics});
}

void add_gates(const CheckResult& r, std::vector<Verdict>& out) {
    for (const auto& g : r.gates)
        if (g.deaf)
            out.push_back(
                {Weight::fix,
                 fmt::format("The gate of {} has the kit as its key, but the session knows nothing of "
                             "the bleed, so it hears its own mic alone.",
                             inside(name(r, g.proposal.mic))),
                 "",
                 "kitfold check --apply writes bleed and threshold into the session.",
                 {g.proposal.mic},
                 {},
                 {},
                 false});
}

void add_image(const CheckResult& r, std::vector<Verdict>& out) {
    if (r.image.kind == dsp::PairKind::none) return;
    std::vector<std::string> losses;
    for (const auto& row : r.image.rows)
        if (row.mono_loss_db > kMonoLossDb && row.confidence >= 0.5)
            losses.push_back(fmt::format("{:.1f} dB of {}", row.mono_loss_db, drum_words(row.drum)));
    if (losses.empty()) return;
    out.push_back({Weight::look,
                   "Played in mono, the overheads lose " + listed(losses) + ".",
                   "Bring the overheads closer together, or to equal distances from what is lost.",
                   "Narrow them: overhead_width below 1.",
                   {r.image.left, r.image.right}});
}

bool not_heard(const CheckResult& r, std::size_t mic) {
    const auto& faults = r.mics[mic].faults;
    const bool absent = std::any_of(faults.begin(), faults.end(), [](const auto& f) {
        return f.kind == FaultKind::silent || f.kind == FaultKind::rate;
    });
    return !absent && !dsp::is_heard(r.worth[mic]) && r.worth[mic].heard_raised_db; // none: muted
}

/// "Room at -14 dB: without it the loudness changes by 0.2 LU …; heard from about -9 dB up."
std::string unheard_words(const CheckResult& r, std::size_t mic) {
    const auto& w = r.worth[mic];
    const double heard_db = r.names[mic].level_db + *w.heard_raised_db;
    return fmt::format(
        "{} at {}: without it the loudness changes by {:.1f} LU, no octave by more than {:.1f} dB and "
        "its own loudest moments by {:.1f} dB; {}.",
        name(r, mic), level(r.names[mic].level_db), std::abs(w.change_lu), std::abs(w.most_db),
        std::abs(w.change_at_its_loudest_db),
        heard_db <= kHighestLevelDb ? "heard from about " + level(heard_db) + " up"
                                    : "not heard at any level a session can set");
}

void add_worth(const CheckResult& r, bool applied, std::vector<Verdict>& out) {
    Verdict v;
    std::vector<std::string> names;
    for (std::size_t m = 0; m < r.worth.size(); ++m) {
        if (!not_heard(r, m)) continue;
        names.push_back(names.empty() ? name(r, m) : inside(name(r, m)));
        v.mics.push_back(m), v.also.push_back(unheard_words(r, m));
    }
    if (names.empty()) return;
    v.text = listed(names) + " cannot be heard in the submix at " +
             (names.size() == 1 ? "its level." : "their levels.");
    v.software = applied ? "The levels are balanced: raise what you want more of, and do without the rest."
                         : "Raise what is wanted (--apply sets the levels of all), and do without the rest.";
    out.push_back(v);
}

void add_unjudged(const CheckResult& r, std::vector<Verdict>& out) {
    if (r.hits.empty())
        out.push_back({Weight::look,
                       "No drum was found in this take, so pairs, bleed, ring and image cannot be judged.",
                       "Record every drum alone a few times, then half a minute of groove.", ""});
    for (std::size_t p = 0; p < r.pairs.size(); ++p) {
        const auto a = r.names[r.pairs[p].a].role, b = r.names[r.pairs[p].b].role;
        const bool close = dsp::own_drum(a) && dsp::own_drum(b);
        if (!r.pairs[p].judged() && close && !r.hits.empty() && !fix_for(r, p))
            out.push_back({Weight::look, pair_advice(r, p), "", "", {r.pairs[p].a, r.pairs[p].b}});
    }
    std::vector<std::string> rings;
    for (const auto& ring : r.rings)
        if (!ring.result.decay.judged() && ring.result.partials.empty())
            rings.push_back(drum_words(ring.drum));
    if (!rings.empty())
        out.push_back({Weight::look,
                       "The ring of " + listed(rings) + " cannot be judged: no stroke rings out undisturbed.",
                       "Let it ring: two or three single strokes, nothing else playing.", ""});
}

/// Whether a finding is a fault that makes other figures of its mics worthless.
bool spoils_the_rest(const CheckResult& r, const Verdict& v) {
    const auto& faults = r.mics[v.mics.front()].faults;
    return v.at_the_kit && std::any_of(faults.begin(), faults.end(), [](const auto& f) {
               return rank(f.kind) == 0 || f.kind == FaultKind::low_level;
           });
}

/// What is found on a mic that has to be mended first is a line of that.
void fold_consequences(const CheckResult& r, std::vector<Verdict>& out) {
    for (std::size_t i = out.size(); i-- > 0;) {
        if (out[i].weight != Weight::look || out[i].mics.empty() || out[i].mics.size() > 2) continue;
        const auto about = [&](std::size_t mic) {
            return std::find(out[i].mics.begin(), out[i].mics.end(), mic) != out[i].mics.end();
        };
        const auto cause = std::find_if(out.begin(), out.end(), [&](const Verdict& v) {
            return v.weight == Weight::fix && !v.mics.empty() && spoils_the_rest(r, v) &&
                   std::any_of(v.mics.begin(), v.mics.end(), about);
        });
        if (cause == out.end()) continue;
        cause->also.push_back(out[i].text);
        out.erase(out.begin() + std::ptrdiff_t(i));
    }
}

} // namespace

std::string bleed_left_open(const CheckResult& r) {
    std::string drums;
    for (std::size_t d = 0; d < dsp::kDrumCount; ++d) {
        const auto drum = static_cast<Drum>(d);
        const auto strokes =
            std::count_if(r.hits.begin(), r.hits.end(), [=](const auto& h) { return h.drum == drum; });
        const bool judged =
            std::any_of(r.bleed.begin(), r.bleed.end(), [=](const auto& b) { return b.drum == drum; });
        if (strokes > 0 && !judged)
            drums += fmt::format("{}{} ({} {})", drums.empty() ? "" : ", ", drum_words(drum), strokes,
                                 strokes == 1 ? "stroke" : "strokes");
    }
    if (drums.empty()) return {};
    return "Bleed cannot be judged of " + drums +
           ": it takes three strokes that stand out where the drum is loudest.";
}

std::string_view weight_name(Weight weight) noexcept { return weight == Weight::fix ? "fix" : "look"; }

std::string drum_words(Drum drum) { return "the " + std::string(dsp::spoken_name(drum)); }

std::string length_words(const CheckResult& r) {
    const auto length = place_in_take(r.seconds);
    return r.from_s > 0.0 ? length + " from " + place_in_take(r.from_s) + " on" : length;
}

std::string place_in_take(double seconds) {
    const auto tenths = std::llround(seconds * 10.0);
    return fmt::format("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10);
}

std::string order_detail(const CheckResult& r, const dsp::Fault& f) {
    const auto other = inside(name(r, *f.other));
    switch (f.misplaced) {
    case dsp::Misplaced::by_side:
        return fmt::format("hears on the other side what the close mics are panned to: exchanged with {}",
                           other);
    case dsp::Misplaced::by_pitch:
        return fmt::format("sounds like {}, and {} like this mic: the two seem to be exchanged", other,
                           other);
    case dsp::Misplaced::by_arrival: {
        const bool first = r.names[f.mic].role == Role::kick_in || r.names[f.mic].role == Role::snare_top;
        const bool snare = dsp::own_drum(r.names[f.mic].role) == Drum::snare;
        return fmt::format("hears the stroke {} {} and {}: the two seem to be exchanged",
                           first ? "after" : "before", other,
                           snare   ? (first ? "is the brighter one" : "is the duller one")
                           : first ? "more of the other drums"
                                   : "less of the other drums");
    }
    case dsp::Misplaced::late:
        return fmt::format("hears {} after {}, and as much of the other drums: it is not close to it",
                           drum_words(*dsp::own_drum(r.names[f.mic].role)), other);
    }
    return {};
}

std::string fault_detail(const CheckResult& r, const dsp::Fault& f) {
    switch (f.kind) {
    case FaultKind::clipped:
        return fmt::format("clipped {}, first{}, at {:.1f} dBFS", times(f.count), when(r, f), f.level_db);
    case FaultKind::hum:
        return fmt::format("{:.0f} Hz hum at {:.0f} dBFS", f.hz, f.level_db);
    case FaultKind::dc:
        return fmt::format("DC of {:.2f} % of full scale{}{}", 100.0 * dsp::gain_from_db(f.level_db),
                           f.at_s ? ", first" : "", when(r, f));
    case FaultKind::dropout:
        return fmt::format("signal missing {}, first{}, {} at most", times(f.count), when(r, f),
                           f.seconds < 1.0 ? fmt::format("{:.1f} ms", 1'000.0 * f.seconds)
                                           : fmt::format("{:.1f} s", f.seconds));
    case FaultKind::crackle:
        return fmt::format("crackles: {} clicks that no other mic hears, first{}, {:.0f} dBFS at most",
                           f.count, when(r, f), f.level_db);
    case FaultKind::silent:
        return f.level_db < -150.0 ? std::string("no signal at all")
                                   : fmt::format("no drum in it, peak {:.0f} dBFS", f.level_db);
    case FaultKind::identical:
        return fmt::format("the same signal as {}", inside(name(r, *f.other)));
    case FaultKind::rate:
        return f.hz == r.rate_hz
                   ? fmt::format("{:.2f} s {} than the others, which fits another sample rate",
                                 std::abs(f.seconds), f.seconds < 0.0 ? "shorter" : "longer")
                   : fmt::format("recorded at {:.0f} Hz, the others at {:.0f} Hz", f.hz, r.rate_hz);
    case FaultKind::length:
        return f.seconds < 0.0 ? fmt::format("ends {:.2f} s before the others{}", -f.seconds, when(r, f))
                               : fmt::format("goes on for {:.2f} s after the others", f.seconds);
    case FaultKind::low_level:
        return fmt::format("loudest peak only {:.0f} dBFS", f.level_db);
    case FaultKind::polarity:
        return "upside down against the others";
    case FaultKind::channel_order:
        return order_detail(r, f);
    }
    return {};
}

std::string fault_remedy(const dsp::Fault& f) {
    const auto help = remedy(f);
    return help.source + " " + help.software;
}

bool fix_for(const CheckResult& r, std::size_t pair) {
    return std::any_of(r.fixes.begin(), r.fixes.end(), [=](const MicFix& f) { return f.pair == pair; });
}

std::string pair_advice(const CheckResult& r, std::size_t pair) {
    const auto& p = r.pairs[pair];
    const auto a = name(r, p.a), b = name(r, p.b);
    std::string text;
    if (!p.judged()) {
        text =
            fmt::format("{} and {}: who hears {} first cannot be judged{}.", a, inside(b),
                        p.drum ? drum_words(*p.drum) : "a drum", p.why_not.empty() ? "" : ": " + p.why_not);
    } else if (std::abs(p.delay_ms) < 0.03) {
        text = fmt::format("{} hears {} together with {}{}.", b, drum_words(*p.drum), inside(a),
                           p.opposite ? ", but upside down" : "");
    } else {
        text = fmt::format("{} hears {} {} {} {}{}.", b, drum_words(*p.drum), ms(std::abs(p.delay_ms)),
                           p.delay_ms > 0.0 ? "after" : "before", inside(a),
                           p.opposite ? " and upside down" : "");
    }
    if (fix_for(r, pair)) return action_words(r, pair) + " " + text;
    return r.sums[pair].strokes > 0 ? text + " " + leave_words(r.sums[pair]) : text;
}

std::vector<Verdict> verdicts(const CheckResult& r, bool applied) {
    std::vector<Verdict> out;
    add_faults(r, out);
    add_fixes(r, out);
    add_gates(r, out);
    for (auto& change : change_verdicts(r)) out.push_back(std::move(change));
    add_losses(r, out);
    add_wiring(r, out);
    add_image(r, out);
    add_worth(r, applied, out);
    add_unjudged(r, out);
    fold_consequences(r, out);
    if (applied)
        for (auto& v : out)
            if (!v.at_the_kit) v.software = "Written into the session.";
    return out;
}

std::string headline(const CheckResult& r, bool applied) {
    if (r.names_exchanged())
        return "Stop: two mics are under each other's name. Put that right first; every other figure waits "
               "for it.";
    std::size_t kit = 0, session = 0, look = 0;
    for (const auto& v : verdicts(r)) ++(v.weight == Weight::look ? look : v.at_the_kit ? kit : session);
    const auto more = look == 0 ? std::string(".") : fmt::format("; {} to look at.", look);
    if (kit + session == 0) {
        if (r.hits.empty()) return "Cannot be judged: no drum was found in this take.";
        bool whole = true;
        for (std::size_t p = 0; p < r.pairs.size(); ++p) whole = whole && !loses(r, p);
        return (whole ? "Ready: nothing to fix, these mics work together"
                      : "Nothing to fix, but two mics take from each other whatever is set") +
               more;
    }
    const auto things = [](std::size_t n) { return n == 1 ? "1 thing" : fmt::format("{} things", n); };
    if (applied && kit == 0) return "Done: what was to fix is written into the session" + more;
    std::string out = "Not ready: ";
    if (kit > 0) out += things(kit) + " to fix at the kit";
    if (session > 0)
        out += (kit > 0 ? fmt::format(", {} ", session) : things(session) + " to fix, ") +
               (applied   ? "written into the session"
                : kit > 0 ? "that --apply writes"
                          : "which --apply writes");
    return out + more;
}

std::string listed(const std::vector<std::string>& parts) {
    std::string out;
    for (std::size_t i = 0; i < parts.size(); ++i)
        out += (i == 0 ? "" : i + 1 == parts.size() ? " and " : ", ") + parts[i];
    return out;
}

std::string capital(std::string s) {
    if (!s.empty()) s[0] = char(std::toupper(static_cast<unsigned char>(s[0])));
    return s;
}

double path_cm(double delay_ms) { return std::abs(delay_ms) * 34.32; }

std::string fault_word(dsp::FaultKind kind) {
    std::string word(dsp::fault_name(kind));
    std::replace(word.begin(), word.end(), '_', ' ');
    return word;
}

MicWord mic_word(const CheckResult& r, std::size_t mic) {
    std::vector<std::string> words;
    for (const auto& f : r.mics[mic].faults) {
        if (f.kind == FaultKind::polarity) continue;
        const auto word = fault_word(f.kind);
        words.push_back(word);
    }
    if (const auto* fix = r.fix_of(mic)) {
        if (fix->flips) words.emplace_back("flip");
        if (fix->moves) words.push_back("delay by " + ms(fix->delay_ms - r.names[mic].delay_ms));
    }
    const bool fixed = !words.empty();
    if (!fixed && std::any_of(r.mics[mic].faults.begin(), r.mics[mic].faults.end(),
                              [](const auto& f) { return f.kind == FaultKind::polarity; }))
        words.emplace_back("upside down, but sums no better when turned");
    else if (!fixed && mic < r.worth.size() && not_heard(r, mic))
        words.push_back("not heard at " + level(r.names[mic].level_db));
    if (const auto& gain = r.mics[mic].gain; gain && gain->turn_db != 0)
        words.push_back(fmt::format("preamp {}", gain_words(*gain)));
    if (!words.empty())
        return {fixed ? Weight::fix : Weight::look, fmt::format("{}", fmt::join(words, ", "))};
    return {};
}

} // namespace kitfold::offline
