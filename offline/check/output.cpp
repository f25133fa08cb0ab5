#include "offline/check/output.h"
#include "offline/check/words.h"
#include "offline/util/columns.h"
#include "offline/util/json_number.h"
#include "ring/pitch.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using dsp::Json;

Json number(double value, int decimals) {
    return std::isfinite(value) ? Json(rounded(value, decimals)) : Json(nullptr);
}

Json mics_json(const CheckResult& r) {
    Json mics = Json::array();
    for (std::size_t m = 0; m < r.mics.size(); ++m) {
        const auto& mic = r.mics[m];
        Json faults = Json::array();
        for (const auto& f : mic.faults)
            faults.push_back({{"kind", dsp::fault_name(f.kind)},
                              {"at_s", f.at_s ? number(r.from_s + *f.at_s, 3) : Json(nullptr)},
                              {"detail", fault_detail(r, f)},
                              {"remedy", fault_remedy(f)}});
        mics.push_back({{"name", r.names[m].name},
                        {"role", dsp::token(r.names[m].role)},
                        {"peak_dbfs", number(mic.levels.peak_dbfs, 2)},
                        {"true_peak_dbtp", number(mic.true_peak_dbtp, 2)},
                        {"noise_floor_dbfs", number(mic.levels.noise_floor_dbfs, 1)},
                        {"hit_rms_dbfs", number(mic.levels.hit_rms_dbfs, 1)},
                        {"crest_db", number(mic.levels.crest_db, 1)},
                        {"dc", number(mic.levels.dc, 6)},
                        {"headroom_db", mic.gain ? number(mic.gain->headroom_db, 1) : Json(nullptr)},
                        {"turn_preamp_db", mic.gain ? Json(mic.gain->turn_db) : Json(nullptr)},
                        {"faults", faults}});
    }
    return mics;
}

Json pairs_json(const CheckResult& r) {
    constexpr std::array<const char*, 3> kMovements{"opposite", "", "same"};
    Json pairs = Json::array();
    for (std::size_t i = 0; i < r.pairs.size(); ++i) {
        const auto& p = r.pairs[i];
        const auto& sum = r.sums[i];
        const bool judged = p.judged();
        const auto figure = [&](double value, int decimals) {
            return judged ? number(value, decimals) : Json(nullptr);
        };
        const auto gain = [&](double value) { return sum.strokes > 0 ? number(value, 2) : Json(nullptr); };
        pairs.push_back({{"a", r.names[p.a].name},
                         {"b", r.names[p.b].name},
                         {"drum", p.drum ? Json(dsp::drum_name(*p.drum)) : Json(nullptr)},
                         {"delay_ms", figure(p.delay_ms, 3)},
                         {"polarity", !judged ? Json(nullptr) : Json(p.opposite ? "opposite" : "same")},
                         {"first_movement", judged && p.first_movement != 0
                                                ? Json(kMovements[std::size_t(p.first_movement + 1)])
                                                : Json(nullptr)},
                         {"confidence", number(p.confidence, 2)},
                         {"hits", p.hits},
                         {"spread_ms", figure(p.spread_ms, 3)},
                         {"delay_samples", figure(p.delay_ms * r.rate_hz / 1'000.0, 2)},
                         {"delay_cm", figure(p.delay_ms * 34.32, 1)},
                         {"low_gain_before_db", gain(sum.now.low_db)},
                         {"low_gain_turned_db", gain(sum.turned.low_db)},
                         {"low_gain_after_db", gain(sum.after.low_db)},
                         {"full_gain_before_db", gain(sum.now.full_db)},
                         {"full_gain_turned_db", gain(sum.turned.full_db)},
                         {"full_gain_after_db", gain(sum.after.full_db)},
                         {"fix", fix_for(r, i)},
                         {"why_not", p.why_not},
                         {"advice", pair_advice(r, i)}});
    }
    return pairs;
}

Json rings_json(const CheckResult& r) {
    Json rings = Json::array();
    const auto or_null = [](double ms) { return ms > 0.0 ? Json(rounded(ms, 0)) : Json(nullptr); };
    for (const auto& ring : r.rings) {
        const auto& decay = ring.result.decay;
        Json partials = Json::array();
        for (const auto& p : dsp::heard_partials(ring.result))
            partials.push_back({{"hz", rounded(p.hz, 1)},
                                {"ring_ms", p.judged ? Json(rounded(p.ring_ms, 0)) : Json(nullptr)},
                                {"level_db", rounded(p.level_db, 1)},
                                {"range_db", rounded(p.range_db, 0)}});
        const auto pitch = dsp::pitch_hz(ring.result);
        const auto note = pitch ? std::optional(dsp::note_of(*pitch)) : std::nullopt;
        rings.push_back({{"drum", dsp::drum_name(ring.drum)},
                         {"mic", r.names[ring.mic].name},
                         {"pitch_hz", pitch ? number(*pitch, 1) : Json(nullptr)},
                         {"pitch_note", note ? Json(dsp::note_name(*note)) : Json(nullptr)},
                         {"pitch_cents", note ? number(note->cents, 0) : Json(nullptr)},
                         {"partials", partials},
                         {"ring_ms", or_null(decay.ring_ms)},
                         {"late_ms", or_null(decay.late_ms)},
                         {"range_db", rounded(decay.range_db, 1)},
                         {"hits", ring.result.hits}});
    }
    return rings;
}

Json image_json(const CheckResult& r) {
    Json rows = Json::array();
    for (const auto& row : r.image.rows) {
        const auto figure = [&](double value, int decimals) {
            return row.judged() ? number(value, decimals) : Json(nullptr);
        };
        rows.push_back({{"drum", dsp::drum_name(row.drum)},
                        {"level_difference_db", figure(row.level_difference_db, 2)},
                        {"time_difference_ms", figure(row.time_difference_ms, 3)},
                        {"angle_deg", row.angle_deg ? figure(*row.angle_deg, 1) : Json(nullptr)},
                        {"mono_loss_db", number(row.mono_loss_db, 2)},
                        {"correlation", number(row.correlation, 3)},
                        {"confidence", number(row.confidence, 2)}});
    }
    return rows;
}

Json hits_json(const CheckResult& r) {
    Json hits = Json::array();
    for (const auto& h : r.hits)
        hits.push_back({{"time_s", rounded(r.from_s + h.time_s, 5)},
                        {"drum", dsp::drum_name(h.drum)},
                        {"strength_db", rounded(h.strength_db, 1)}});
    return hits;
}

Json gates_json(const CheckResult& r) {
    Json gates = Json::array();
    for (const auto& g : r.gates) {
        const bool known = g.plan != GatePlan::blind;
        const auto figure = [&](double value) { return known ? number(value, 1) : Json(nullptr); };
        gates.push_back({{"mic", r.names[g.proposal.mic].name},
                         {"plan", gate_plan_name(g.plan)},
                         {"threshold_db", figure(g.proposal.threshold_db)},
                         {"softest_hit_db", figure(g.proposal.softest_hit_db)},
                         {"loudest_bleed_db", figure(g.proposal.loudest_bleed_db)},
                         {"margin_db", figure(g.proposal.margin_db)},
                         {"hits", g.proposal.hits},
                         {"doubtful", g.proposal.doubtful},
                         {"why_not", g.proposal.why_not}});
    }
    return gates;
}

/// The level of a mic from which it would be heard; null when it is heard, or can't be.
Json heard_from_db(const CheckResult& r, std::size_t mic) {
    const auto raised_db = r.worth[mic].heard_raised_db;
    return raised_db > 0.0 ? number(r.names[mic].level_db + *raised_db, 1) : Json(nullptr);
}

Json findings_json(const CheckResult& r) {
    Json findings = Json::array();
    for (const auto& v : verdicts(r)) {
        Json mics = Json::array();
        for (const auto m : v.mics) mics.push_back(r.names[m].name);
        findings.push_back({{"weight", weight_name(v.weight)},
                            {"text", v.text},
                            {"source", v.source},
                            {"software", v.software},
                            {"also", v.also},
                            {"mics", mics}});
    }
    return findings;
}

Json changes_json(const CheckResult& r) {
    constexpr std::array<const char*, 4> kKinds{"level", "polarity", "arrival", "noise"};
    const auto said = change_verdicts(r);
    Json changes = Json::array();
    for (std::size_t i = 0; i < r.changes.size(); ++i) {
        const auto& c = r.changes[i];
        Json mics = Json::array();
        for (const auto m : c.mics) mics.push_back(r.names[m].name);
        changes.push_back(
            {{"kind", kKinds[std::size_t(c.kind)]},
             {"mics", mics},
             {"drum", c.kind == dsp::ChangeKind::noise ? Json(nullptr) : Json(dsp::drum_name(c.drum))},
             {"from_third", c.from + 1},
             {"to_third", c.to + 1},
             {"amount", c.kind == dsp::ChangeKind::polarity ? Json(nullptr) : number(c.amount, 2)},
             {"steady", c.steady},
             {"detail", said[i].text},
             {"remedy", said[i].source}});
    }
    return changes;
}

} // namespace

Json check_json(const CheckResult& r) {
    Json bleed = Json::array(), worth = Json::array(), fixes = Json::array();
    for (const auto& b : r.bleed)
        bleed.push_back({{"drum", dsp::drum_name(b.drum)},
                         {"mic", r.names[b.mic].name},
                         {"level_db", number(b.level_db, 1)},
                         {"upper_bound", b.upper_bound},
                         {"unsure_db", b.upper_bound ? Json(nullptr) : number(b.unsure_db, 1)},
                         {"hits", b.hits}});
    for (std::size_t m = 0; m < r.worth.size(); ++m)
        worth.push_back({{"mic", r.names[m].name},
                         {"change_lu", number(r.worth[m].change_lu, 2)},
                         {"at_its_loudest_db", number(r.worth[m].change_at_its_loudest_db, 2)},
                         {"most_hz", rounded(r.worth[m].most_hz, 0)},
                         {"most_db", number(r.worth[m].most_db, 2)},
                         {"heard_from_db", heard_from_db(r, m)}});
    for (const auto& f : r.fixes)
        fixes.push_back({{"mic", r.names[f.mic].name},
                         {"polarity", f.inverted ? "inverted" : "normal"},
                         {"delay_ms", rounded(f.delay_ms, 3)}});
    return {{"kitfold_check", 1},
            {"rate_hz", r.rate_hz},
            {"seconds", rounded(r.seconds, 3)},
            {"from_s", rounded(r.from_s, 3)},
            {"mics", mics_json(r)},
            {"hits", hits_json(r)},
            {"pairs", pairs_json(r)},
            {"bleed", bleed},
            {"rings", rings_json(r)},
            {"image", image_json(r)},
            {"worth", worth},
            {"gates", gates_json(r)},
            {"fixes", fixes},
            {"verdict", headline(r)},
            {"findings", findings_json(r)},
            {"changes", changes_json(r)},
            {"notices", r.notices}};
}

namespace {

std::string one_decimal(double db) {
    return db <= -150.0 || !std::isfinite(db) ? std::string("-") : fmt::format("{:.1f}", db);
}

void mics_table(const CheckResult& r, std::string& out) {
    out += fmt::format("{} {:>6} {:>6} {:>6} {:>6} {:>6}  {:<16}  {}\n", cell("Mic", 20), "peak", "true",
                       "hits", "noise", "worth", "preamp", "faults");
    for (std::size_t m = 0; m < r.mics.size(); ++m) {
        const auto& mic = r.mics[m];
        std::string faults;
        for (const auto& f : mic.faults) {
            const auto word = fault_word(f.kind);
            faults += (faults.empty() ? "" : ", ") + word;
        }
        const auto worth = m < r.worth.size() && std::isfinite(r.worth[m].change_lu)
                               ? fmt::format("{:+.1f}", r.worth[m].change_lu)
                               : "-";
        out += fmt::format("{} {:>6} {:>6} {:>6} {:>6} {:>6}  {:<16}  {}\n", cell(r.names[m].name, 20),
                           one_decimal(mic.levels.peak_dbfs), one_decimal(mic.true_peak_dbtp),
                           one_decimal(mic.levels.hit_rms_dbfs), one_decimal(mic.levels.noise_floor_dbfs),
                           worth, mic.gain ? gain_words(*mic.gain) : "-",
                           faults.empty() ? "none" : wrapped(faults, 76));
    }
    out +=
        wrapped(
            "peak, hits (RMS of 50 ms) and noise in dBFS; worth: change of the submix in LU without the mic; "
            "preamp: so that the loudest stroke stays 6 to 18 dB under full scale; players hit harder in "
            "the take than in the soundcheck",
            0) +
        "\n\n";
}

void hits_line(const CheckResult& r, std::string& out) {
    std::array<std::size_t, dsp::kDrumCount> count{};
    for (const auto& h : r.hits) ++count[std::size_t(h.drum)];
    std::string words;
    for (std::size_t d = 0; d < count.size(); ++d)
        if (count[d] > 0)
            words += fmt::format("{}{} {}", words.empty() ? "" : ", ", drum_words(dsp::Drum(d)).substr(4),
                                 count[d]);
    out += "Hits: " + (words.empty() ? std::string("none found") : words) + "\n\n";
}

/// "-3.1/+1.2": over all frequencies and below 200 Hz.
std::string sum_cell(const dsp::SumGain& gain) {
    return fmt::format("{:+.1f}/{:+.1f}", std::max(gain.full_db, -40.0), std::max(gain.low_db, -40.0));
}

void pairs_table(const CheckResult& r, std::string& out) {
    if (r.pairs.empty()) return;
    out += fmt::format("{} {} {:>6} {:>5} {:>8} {:>4} {:>11} {:>11} {:>11}\n", cell("Pair", 27),
                       cell("on", 9), "ms", "cm", "polarity", "sure", "sum now", "turned", "after");
    for (std::size_t i = 0; i < r.pairs.size(); ++i) {
        const auto& p = r.pairs[i];
        out += cell(r.names[p.a].name + " / " + r.names[p.b].name, 27) + " " +
               cell(p.drum ? drum_words(*p.drum).substr(4) : "", 9);
        out += p.judged() ? fmt::format(" {:>6.2f} {:>5.0f} {:>8} {:>4.2f}", p.delay_ms, p.delay_ms * 34.32,
                                        p.opposite ? "opposite" : "same", p.confidence)
                          : fmt::format(" {:>6} {:>5} {:>8} {:>4}", "?", "?", "?", "-");
        if (r.sums[i].strokes > 0)
            out += fmt::format(" {:>11} {:>11} {:>11}", sum_cell(r.sums[i].now), sum_cell(r.sums[i].turned),
                               sum_cell(r.sums[i].after));
        out += '\n';
    }
    out +=
        wrapped("ms: how much later the second hears it; sums, all/below 200 Hz: both mics together against "
                "the sum of their powers in dB, as set, with one of the two turned, and after the fixes",
                0) +
        '\n';
    for (const auto& p : r.pairs)
        if (!p.judged())
            out +=
                "?: " + wrapped(r.names[p.a].name + " / " + r.names[p.b].name + ": " + p.why_not, 3) + '\n';
    out += '\n';
}

/// Mics across would not fit 100 columns with sixteen of them, so drums are across.
void bleed_table(const CheckResult& r, std::string& out) {
    std::vector<dsp::Drum> drums;
    for (const auto& b : r.bleed)
        if (std::find(drums.begin(), drums.end(), b.drum) == drums.end()) drums.push_back(b.drum);
    if (drums.empty()) return;
    out += cell("Bleed, dB", 20);
    for (const auto drum : drums) out += fmt::format(" {:>8}", cell(drum_words(drum).substr(4), 8));
    out += '\n';
    for (std::size_t m = 0; m < r.names.size(); ++m) {
        out += cell(r.names[m].name, 20);
        for (const auto drum : drums) {
            const auto at = std::find_if(r.bleed.begin(), r.bleed.end(),
                                         [&](const auto& b) { return b.drum == drum && b.mic == m; });
            out += fmt::format(" {:>8}",
                               at == r.bleed.end() || !r.mics[m].has_signal()
                                   ? ""
                                   : fmt::format("{}{:.1f}", at->upper_bound ? "<" : "", at->level_db));
        }
        out += '\n';
    }
    if (std::any_of(r.bleed.begin(), r.bleed.end(), [](const auto& b) { return b.upper_bound; }))
        out += "<: cannot be told, but is not louder than this: noise or other drums hide it\n";
    if (const auto open = bleed_left_open(r); !open.empty()) out += wrapped(open, 0) + '\n';
    out += '\n';
}

/// "104 Hz G#2 +7": the last in cents.
std::string pitch_words(const dsp::RingResult& ring) {
    const auto hz = dsp::pitch_hz(ring);
    if (!hz) return "-";
    const auto note = dsp::note_of(*hz);
    return fmt::format("{:.0f} Hz {} {:+.0f}", *hz, dsp::note_name(note), note.cents);
}

void rings_table(const CheckResult& r, std::string& out) {
    if (r.rings.empty()) return;
    out += cell("Ring", 16) + fmt::format("{:>8} {:>8} {:>9}  {:<17} {}\n", "T60 ms", "late ms", "range dB",
                                          "pitch", "partials, Hz (T60 ms)");
    bool open = false;
    const auto or_sign = [](double ms, const char* sign) {
        return ms > 0.0 ? fmt::format("{:.0f}", ms) : std::string(sign);
    };
    for (const auto& ring : r.rings) {
        const auto& decay = ring.result.decay;
        auto line = cell(drum_words(ring.drum).substr(4), 16) +
                    fmt::format("{:>8} {:>8} {:>9.0f}  {:<17} ", or_sign(decay.ring_ms, "?"),
                                or_sign(decay.late_ms, "-"), decay.range_db, pitch_words(ring.result));
        const auto partials = dsp::heard_partials(ring.result, 3); // what fits the line
        open = open || !decay.judged();
        for (const auto& p : partials) {
            line += fmt::format("{:.0f} ({})  ", p.hz, p.judged ? fmt::format("{:.0f}", p.ring_ms) : "?");
            open = open || !p.judged;
        }
        out += line.substr(0, line.find_last_not_of(' ') + 1) + '\n';
    }
    out += "T60: by the first 10 dB of a stroke; late: by -5 to -25 dB. Both as the time to fall by 60 dB.\n"
           "pitch: of its lowest strong partial, as the nearest note (A4 = 440 Hz) and cents above it\n";
    if (open)
        out +=
            "?: heard, but how long it rings cannot be judged: the next stroke or noise comes too soon, or "
            "the\nstrokes do not agree; two or three single strokes left to ring out would show it\n";
    out += '\n';
}

void image_table(const CheckResult& r, std::string& out) {
    if (r.image.kind == dsp::PairKind::none || r.image.rows.empty()) return;
    constexpr std::array<const char*, 4> kinds{"", "coincident pair", "near-coincident pair", "spaced pair"};
    out += fmt::format("{} {:>8} {:>8} {:>8} {:>10}\n",
                       cell(fmt::format("Image, {}", kinds[std::size_t(r.image.kind)]), 28), "L-R dB", "ms",
                       "angle", "mono loss");
    for (const auto& row : r.image.rows) {
        const auto name = cell(drum_words(row.drum).substr(4), 28);
        out +=
            row.judged()
                ? fmt::format("{} {:>8.1f} {:>8.2f} {:>8} {:>10.1f}\n", name, row.level_difference_db,
                              row.time_difference_ms,
                              row.angle_deg ? fmt::format("{:.0f}", *row.angle_deg) : "-", row.mono_loss_db)
                : fmt::format("{} {:>26} {:>10.1f}\n", name, "cannot be judged", row.mono_loss_db);
    }
    out += fmt::format("{} {:>36.1f}\n\n", cell("whole kit", 28), r.image.mono_loss_db);
}

void gates_table(const CheckResult& r, std::string& out) {
    if (r.gates.empty()) return;
    out += fmt::format("{} {:>8} {:>8} {:>8} {:>10}  {}\n", cell("Gate, key from all mics", 28), "softest",
                       "bleed", "margin", "threshold", "in the session");
    for (const auto& g : r.gates) {
        const auto& p = g.proposal;
        const auto name = cell(r.names[p.mic].name, 28);
        if (g.plan == GatePlan::blind)
            out += name + " " + wrapped("no threshold: " + p.why_not, 29) + '\n';
        else
            out += fmt::format("{} {:>8.1f} {:>8} {:>8} {:>10.1f}  {}\n", name, p.softest_hit_db,
                               one_decimal(p.loudest_bleed_db), one_decimal(p.margin_db), p.threshold_db,
                               gate_plan_words(g.plan));
    }
    out += "dBFS of the key: softest own hit, loudest sound that is none; the threshold lies between\n";
    if (const auto doubt = doubt_words(r.gates, r.names); !doubt.empty()) out += wrapped(doubt, 0) + '\n';
    out += '\n';
}

} // namespace

std::string check_tables(const CheckResult& r) {
    std::string out;
    mics_table(r, out);
    hits_line(r, out);
    pairs_table(r, out);
    bleed_table(r, out);
    rings_table(r, out);
    image_table(r, out);
    gates_table(r, out);
    return out;
}

} // namespace kitfold::offline
