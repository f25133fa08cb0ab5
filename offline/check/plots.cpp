#include "offline/check/plots.h"
#include "core/units.h"
#include "offline/check/words.h"
#include "offline/util/html.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <fmt/format.h>
#include <numbers>

namespace kitfold::offline {
namespace {

using dsp::Drum;

constexpr std::size_t kMostTicks = 4'000; // per drum; more could not be told apart

std::string short_name(Drum drum) { return drum_words(drum).substr(4); }

std::string svg(int width, int height, const std::string& label, const std::string& body) {
    return fmt::format("<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">{}</svg>", width, height,
                       escaped(label), body);
}

std::string text(double x, double y, const std::string& words, const std::string& attributes = {}) {
    return fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" {}>{}</text>", x, y, attributes, escaped(words));
}

std::string line(double x1, double y1, double x2, double y2, const char* kind) {
    return fmt::format("<line class=\"{}\" x1=\"{:.1f}\" y1=\"{:.1f}\" x2=\"{:.1f}\" y2=\"{:.1f}\"/>", kind,
                       x1, y1, x2, y2);
}

/// Seconds between ticks so that there are at most six: they have to fit a telephone.
double tick_step(double seconds) {
    for (const double step : {1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1'800.0})
        if (seconds / step <= 6.0) return step;
    return 3'600.0;
}

/// Rows over the time of the take: a label, a strip that stretches with the page, a figure at its end.
class TimeRows {
public:
    TimeRows(const CheckResult& r, double height) : from_s_(r.from_s), seconds_(r.seconds), height_(height) {}

    [[nodiscard]] double x(double time_s) const { return kWidth * time_s / seconds_; }
    void add(const std::string& label, const std::string& end, const std::string& what,
             const std::string& body) {
        rows_ += fmt::format("<b>{}</b><svg viewBox=\"0 0 {} {}\" preserveAspectRatio=\"none\" role=\"img\" "
                             "aria-label=\"{}\">{}</svg><i>{}</i>",
                             escaped(label), kWidth, height_, escaped(what), body, escaped(end));
    }
    /// With the time axis below.
    [[nodiscard]] std::string whole() const {
        std::string ticks;
        for (double t = 0.0; t <= seconds_; t += tick_step(seconds_))
            ticks += fmt::format("<span style=\"left:{:.2f}%\">{:.0f}:{:02.0f}</span>", 100.0 * t / seconds_,
                                 std::floor((from_s_ + t) / 60.0), std::fmod(from_s_ + t, 60.0));
        return "<div class=\"rows\">" + rows_ + "<b class=\"unit\">min:s</b><div class=\"times\">" + ticks +
               "</div><i></i></div>";
    }

    static constexpr double kWidth = 1'000.0;

private:
    double from_s_, seconds_, height_;
    std::string rows_;
};

std::string figure(const char* id, const std::string& title, const std::string& caption,
                   const std::string& body, bool wide = false) {
    return fmt::format(
        "<figure id=\"{}\"{}><h2>{}</h2><div class=\"plot\">{}</div><figcaption>{}</figcaption></figure>\n",
        id, wide ? " class=\"wide\"" : "", title, body, caption);
}

/// A polyline; one point in x, y each.
std::string polyline(const char* kind, const std::vector<std::pair<double, double>>& points) {
    std::string path;
    for (const auto& [x, y] : points) path += fmt::format("{}{:.1f} {:.1f}", path.empty() ? "M" : "L", x, y);
    return fmt::format("<path class=\"{}\" d=\"{}\"/>", kind, path);
}

} // namespace

std::string plot_take(const CheckResult& r) {
    if (r.hits.empty() || !(r.seconds > 0.0)) return {};
    TimeRows rows(r, 26);
    std::size_t colour = 0;
    for (std::size_t d = 0; d < dsp::kDrumCount; ++d) {
        const auto drum = Drum(d);
        double loudest = -200.0;
        std::size_t count = 0;
        for (const auto& h : r.hits)
            if (h.drum == drum) loudest = std::max(loudest, h.strength_db), ++count;
        if (count == 0) continue;
        const std::size_t every = count / kMostTicks + 1;
        std::string path;
        std::size_t n = 0;
        for (const auto& h : r.hits)
            if (h.drum == drum && n++ % every == 0)
                path += fmt::format("M{:.1f} 26v-{:.1f}", rows.x(h.time_s),
                                    std::max(3.0, 25.0 * (1.0 + (h.strength_db - loudest) / 40.0)));
        rows.add(short_name(drum), std::to_string(count), fmt::format("{}: {} hits", short_name(drum), count),
                 fmt::format("<path class=\"hits h{}\" d=\"{}\"/>", colour++ % 4, path));
    }
    return figure(
        "plot-take", "The take",
        "Every hit that was found and their number; the full height is the drum's loudest, the foot 40 dB "
        "less.",
        rows.whole(), true);
}

namespace {

/// Loudness of a mic over the take as a band in four shades: a run of one shade is one stroke.
std::string level_band(const CheckedMic& mic) {
    constexpr std::array<double, 4> kFrom_dbfs{-60.0, -40.0, -20.0, -6.0};
    std::array<std::string, 4> shades;
    const double step = TimeRows::kWidth / double(mic.strip.size());
    const auto shade_of = [&](std::size_t c) {
        const double db = mic.strip[c] > 1e-6f ? dsp::db_from_gain(double(mic.strip[c])) : -120.0;
        return std::count_if(kFrom_dbfs.begin(), kFrom_dbfs.end(), [db](double from) { return db >= from; });
    };
    for (std::size_t c = 0; c < mic.strip.size();) {
        const auto shade = shade_of(c);
        auto end = c + 1;
        while (end < mic.strip.size() && shade_of(end) == shade) ++end;
        if (shade > 0)
            shades[std::size_t(shade - 1)] +=
                fmt::format("M{:.1f} 9h{:.1f}", step * double(c), step * double(end - c));
        c = end;
    }
    std::string out;
    for (std::size_t k = 0; k < shades.size(); ++k)
        if (!shades[k].empty()) out += fmt::format("<path class=\"shade s{}\" d=\"{}\"/>", k + 1, shades[k]);
    return out;
}

} // namespace

std::string plot_mics(const CheckResult& r) {
    if (!(r.seconds > 0.0)) return {};
    TimeRows rows(r, 18);
    for (std::size_t m = 0; m < r.mics.size(); ++m) {
        const auto& mic = r.mics[m];
        auto body = level_band(mic);
        std::string faults;
        for (const auto& f : mic.faults) {
            if (f.at_s) body += line(rows.x(*f.at_s), 0, rows.x(*f.at_s), 18, "fault");
            const auto word = fault_word(f.kind);
            faults += (faults.empty() ? "" : ", ") + word;
        }
        const auto peak = mic.has_signal() ? fmt::format("{:.1f}", mic.levels.peak_dbfs) : "-";
        rows.add(r.names[m].name + (faults.empty() ? "" : " \u25b2 " + faults), peak,
                 fmt::format("{}: peak {} dBFS, noise {:.0f} dBFS", r.names[m].name, peak,
                             mic.levels.noise_floor_dbfs),
                 body);
    }
    return figure(
        "plot-mics", "The mics",
        "How loud each mic is over the take, in dBFS: <span class=\"shades\"><span class=\"s1\">-60</span>"
        "<span class=\"s2\">-40</span><span class=\"s3\">-20</span><span class=\"s4\">-6</span></span> and "
        "above; at the right the peak. A red line: where a fault is heard first.",
        rows.whole(), true);
}

namespace {

std::string wave_panel(const Overlay& o, const std::vector<float>& a, const std::vector<float>& b,
                       const std::string& title) {
    constexpr double left = 24, width = 230, middle = 76, half = 52;
    const double end_ms = o.start_ms + o.step_ms * double(a.size());
    const auto at = [&](double ms) { return left + width * (ms - o.start_ms) / (end_ms - o.start_ms); };
    std::string out =
        text(left, 14, title, "class=\"head\"") + line(left, middle, left + width, middle, "axis");
    for (const double level : {-1.0, 0.0, 1.0})
        out += text(left - 4, middle - half * level + 4, fmt::format("{:.0f}", level),
                    "class=\"tick\" text-anchor=\"end\"");
    for (double t = 0.0; t < end_ms; t += 10.0)
        out += line(at(t), middle - half, at(t), middle + half, "grid") +
               text(at(t), middle + half + 16, fmt::format("{:.0f}{}", t, t + 10.0 < end_ms ? "" : " ms"),
                    "class=\"tick\" text-anchor=\"middle\"");
    for (const auto* wave : {&a, &b}) {
        std::vector<std::pair<double, double>> points;
        for (std::size_t n = 0; n < wave->size(); ++n)
            points.emplace_back(left + width * double(n) / double(wave->size()),
                                middle - half * double((*wave)[n]));
        out += polyline(wave == &a ? "wave first" : "wave second", points);
    }
    return svg(260, 148, title, out);
}

std::string open_pairs(const CheckResult& r) {
    std::string out;
    for (const auto& p : r.pairs)
        if (!p.judged())
            out += "<li>" + escaped(r.names[p.a].name + " and " + r.names[p.b].name + ": " + p.why_not) +
                   "</li>";
    return out.empty() ? out : "<p>Left open, rather than a guess:</p><ul>" + out + "</ul>";
}

} // namespace

std::string before_and_after(const CheckResult& r, std::size_t pair) {
    const auto o =
        std::find_if(r.overlays.begin(), r.overlays.end(), [=](const auto& x) { return x.pair == pair; });
    if (o == r.overlays.end()) return {};
    const auto& p = r.pairs[pair];
    const bool same = o->a == o->a_fixed && o->b == o->b_fixed; // no fix moves either
    return "<p class=\"keys\"><span class=\"key first\"></span>" + escaped(r.names[p.a].name) +
           " <span class=\"key second\"></span>" + escaped(r.names[p.b].name) + "</p><div class=\"panels\">" +
           wave_panel(*o, o->a, o->b, same ? "as it is" : "before") +
           (same ? std::string() : wave_panel(*o, o->a_fixed, o->b_fixed, "after")) + "</div>";
}

std::string plot_pairs(const CheckResult& r) {
    const auto left_open = open_pairs(r);
    std::string body;
    for (const auto& o : r.overlays)
        if (!fix_for(r, o.pair)) // shown with the fix
            body += before_and_after(r, o.pair) + "<p>" + escaped(pair_advice(r, o.pair)) + "</p>";
    if (body.empty() && left_open.empty()) return {};
    return figure("plot-pairs", "Mics that share a drum",
                  "One typical hit, each mic drawn at its own height (its peak is 1), over ms from the hit.",
                  body + left_open);
}

std::string plot_bleed(const CheckResult& r) {
    if (r.bleed.empty()) return {};
    std::vector<Drum> drums;
    for (const auto& b : r.bleed)
        if (std::find(drums.begin(), drums.end(), b.drum) == drums.end()) drums.push_back(b.drum);
    std::string body = "<table><thead><tr><th></th>";
    for (const auto drum : drums) body += "<th scope=\"col\">" + short_name(drum) + "</th>";
    body += "</tr></thead><tbody>";
    for (std::size_t m = 0; m < r.names.size(); ++m) {
        body += "<tr><th scope=\"row\">" + escaped(r.names[m].name) + "</th>";
        for (const auto drum : drums) {
            const auto at = std::find_if(r.bleed.begin(), r.bleed.end(),
                                         [&](const auto& b) { return b.drum == drum && b.mic == m; });
            if (at == r.bleed.end() || !r.mics[m].has_signal()) {
                body += "<td></td>";
                continue;
            }
            // what cannot be told has no colour: the limit may be high only because much else sounds there
            const double heat = at->upper_bound ? 0.0 : std::clamp(1.0 + at->level_db / 40.0, 0.0, 1.0);
            body += fmt::format("<td class=\"{}\" style=\"--heat:{:.0f}%\">{}{:.0f}</td>",
                                heat > 0.6 ? "hot" : "", 100.0 * heat, at->upper_bound ? "&lt;" : "",
                                at->level_db);
        }
        body += "</tr>";
    }
    const auto open = bleed_left_open(r);
    return figure(
        "plot-bleed", "Bleed",
        "Level of each drum in each mic, dB against its own mic. Stronger colour is louder; \"&lt;\" without "
        "colour means that it cannot be told, hidden by noise or other drums, but is not louder than that.",
        body + "</tbody></table>" + (open.empty() ? "" : "<p>" + escaped(open) + "</p>"));
}

namespace {

/// Nothing where there is nothing to draw: the list says why.
std::string ring_panel(const dsp::DrumRing& ring) {
    constexpr double x = 36, y = 24, width = 210, height = 120;
    const auto& result = ring.result;
    double longest = 200.0;
    for (const auto& p : result.partials)
        if (p.judged) longest = std::max(longest, p.ring_ms);
    if (result.decay.judged()) longest = std::max(longest, result.decay.ring_ms);
    const bool partials = std::any_of(result.partials.begin(), result.partials.end(),
                                      [](const auto& p) { return p.level_db >= -25.0 && p.judged; });
    if (result.curve_db.size() < 3 && !partials) return {};
    const double scale_ms = std::ceil(longest * 1.05 / 200.0) * 200.0;
    const auto px = [&](double ms) { return x + width * ms / scale_ms; };
    const auto py = [&](double db) { return y + height * std::clamp(-db / 60.0, 0.0, 1.0); };
    std::string out =
        text(x, y - 8,
             fmt::format("{}{}", short_name(ring.drum),
                         result.decay.judged() ? fmt::format(", {:.0f} ms", result.decay.ring_ms)
                                               : ", not judged"),
             "class=\"head\"");
    for (const double db : {0.0, -20.0, -40.0, -60.0})
        out += line(x, py(db), x + width, py(db), "grid") +
               text(x - 4, py(db) + 4, fmt::format("{:.0f}{}", db, db == 0.0 ? " dB" : ""),
                    "class=\"tick\" text-anchor=\"end\"");
    for (const double ms : {0.0, scale_ms / 2.0, scale_ms})
        out += text(px(ms), y + height + 16, fmt::format("{:.0f}{}", ms, ms == scale_ms ? " ms" : ""),
                    "class=\"tick\" text-anchor=\"middle\"");
    for (const auto& p : result.partials) {
        if (p.level_db < -25.0 || !p.judged) continue;
        const double end_ms = p.ring_ms * (60.0 + p.level_db) / 60.0;
        out += fmt::format("<g><title>{:.0f} Hz, T60 {:.0f} ms</title>{}</g>", p.hz, p.ring_ms,
                           line(px(0), py(p.level_db), px(end_ms), py(-60.0), "partial"));
    }
    std::vector<std::pair<double, double>> points;
    for (std::size_t n = 0; n < result.curve_db.size() && result.curve_db[n] > -60.0; n += 2)
        points.emplace_back(px(double(n) * dsp::kCurveStepMs), py(result.curve_db[n]));
    if (points.size() > 1) out += polyline("decay", points);
    return svg(260, 164, "Decay of the " + short_name(ring.drum), out);
}

std::string partials_list(const dsp::DrumRing& ring) {
    const auto partials = dsp::heard_partials(ring.result, 5);
    std::string out;
    for (const auto& p : partials)
        out += fmt::format("{}{:.0f} Hz {}", out.empty() ? "" : ", ", p.hz,
                           p.judged ? fmt::format("{:.0f} ms", p.ring_ms) : "(cannot be judged)");
    return out;
}

} // namespace

std::string plot_ring(const CheckResult& r) {
    if (r.rings.empty()) return {};
    std::string body, list;
    for (std::size_t i = 0; i < r.rings.size(); ++i) {
        body += ring_panel(r.rings[i]);
        const auto partials = partials_list(r.rings[i]);
        const auto& decay = r.rings[i].result.decay;
        list += "<li>" + short_name(r.rings[i].drum) + ": " +
                (decay.judged() ? fmt::format("T60 {:.0f} ms by the first 10 dB", decay.ring_ms)
                                : std::string("not judged as a whole")) +
                (decay.late_ms > 0.0 ? fmt::format(", {:.0f} ms by -5 to -25 dB; ", decay.late_ms)
                                     : std::string("; ")) +
                (partials.empty() ? std::string("no partial found") : partials) + "</li>";
    }
    return figure(
        "plot-ring", "Ring",
        "dB over ms: the drum as a whole (thick) and its partials (thin), each drawn on to -60 dB. What "
        "cannot "
        "be judged is heard, but the next stroke or noise comes too soon, or the strokes do not agree: two "
        "or three "
        "single strokes left to ring out would show it.",
        (body.empty() ? body : "<div class=\"panels\">" + body + "</div>") + "<ul>" + list + "</ul>");
}

namespace {

struct Box {
    double x, y, width, height;
    [[nodiscard]] bool meets(const Box& o) const {
        return x < o.x + o.width && o.x < x + width && y < o.y + o.height && o.y < y + height;
    }
};

constexpr double kPlanWidth = 520, kPlanHeight = 300, kPlanX = 260, kPlanY = 256, kPlanRadius = 190;

/// Where a name of this width fits beside a dot without meeting another name or dot; near places first.
Box place_name(double x, double y, double width, const std::vector<Box>& taken) {
    constexpr double height = 16;
    const auto free = [&](const Box& box) {
        return box.x >= 2 && box.x + width <= kPlanWidth - 2 && box.y >= 2 &&
               std::none_of(taken.begin(), taken.end(), [&](const Box& t) { return box.meets(t); });
    };
    for (double away = 12; away < 90; away += 10)
        for (const double up : {0.0, -0.6, 0.6, -1.2, 1.2})
            for (const bool right : {true, false}) {
                const Box box{right ? x + away : x - away - width, y - height / 2 + up * away, width, height};
                if (free(box)) return box;
            }
    return {x + 12, y - height / 2, width, height};
}

/// Where two speakers put a level difference: sine law of stereophony (Blumlein; Clark, Dutton and
/// Vanderlyn, 1957). Radians, left positive.
double plan_angle(double level_difference_db) {
    const double l = dsp::gain_from_db(level_difference_db);
    return std::asin(std::clamp((l - 1.0) / (l + 1.0) * std::sin(std::numbers::pi / 4.0), -0.99, 0.99));
}

std::string plan_drums(std::vector<dsp::ImageRow> rows) {
    std::erase_if(rows, [](const auto& row) { return !row.judged(); });
    std::sort(rows.begin(), rows.end(),
              [](const auto& a, const auto& b) { return a.level_difference_db < b.level_difference_db; });
    std::vector<Box> taken;
    std::vector<std::pair<double, double>> dots;
    for (std::size_t i = 0; i < rows.size(); ++i) { // a ring for each, so that dots do not cover each other
        // and neighbours in direction are far from each other
        const auto place = i % 2 == 0 ? i / 2 : (rows.size() + 1) / 2 + i / 2;
        const double ring = 0.25 + 0.7 * double(place) / double(rows.size()),
                     angle = plan_angle(rows[i].level_difference_db);
        dots.emplace_back(kPlanX - kPlanRadius * ring * std::sin(angle),
                          kPlanY - kPlanRadius * ring * std::cos(angle));
        taken.push_back({dots[i].first - 10, dots[i].second - 10, 20, 20});
    }
    std::string out;
    for (std::size_t i = 0; i < rows.size(); ++i) {
        const auto name = short_name(rows[i].drum);
        const auto [x, y] = dots[i];
        const auto box = place_name(x, y, 7.4 * double(name.size()) + 2, taken);
        taken.push_back(box);
        const bool right = box.x > x;
        out += fmt::format("<g><title>{}: {:+.1f} dB left re right, {:.2f} ms</title>", name,
                           rows[i].level_difference_db, rows[i].time_difference_ms) +
               line(x, y, right ? box.x : box.x + box.width, box.y + box.height / 2, "leader") +
               fmt::format("<circle class=\"drum h{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"8\"/>", i % 4, x, y) +
               text(right ? box.x : box.x + box.width, box.y + 12, name, right ? "" : "text-anchor=\"end\"") +
               "</g>";
    }
    return out;
}

} // namespace

std::string plot_image(const CheckResult& r) {
    if (r.image.kind == dsp::PairKind::none || r.image.rows.empty()) return {};
    constexpr std::array<const char*, 4> kinds{"", "a coincident pair", "a near-coincident pair",
                                               "a spaced pair"};
    const auto behaviour = fmt::format("They behave as {}; the whole kit loses {:.1f} dB in mono.",
                                       kinds[std::size_t(r.image.kind)], r.image.mono_loss_db);
    if (std::none_of(r.image.rows.begin(), r.image.rows.end(), [](const auto& row) { return row.judged(); }))
        return figure("plot-image", "Image",
                      "Where the overheads put each drum cannot be judged: too few strokes stand alone. " +
                          behaviour,
                      {});
    const auto speaker = [&](double side, const char* name) {
        const double x = kPlanX + side * kPlanRadius * std::numbers::sqrt2 / 2.0,
                     y = kPlanY - kPlanRadius * std::numbers::sqrt2 / 2.0;
        return fmt::format("<rect class=\"speaker\" x=\"{:.0f}\" y=\"{:.0f}\" width=\"34\" height=\"20\"/>",
                           x - 17, y - 34) +
               text(x, y - 40, name, "text-anchor=\"middle\" class=\"tick\"") +
               line(x, y - 14, kPlanX, kPlanY, "grid");
    };
    const auto body =
        speaker(-1, "left") + speaker(1, "right") +
        fmt::format("<path class=\"axis\" fill=\"none\" d=\"M{:.0f} {:.0f}A{} {} 0 0 1 {:.0f} {:.0f}\"/>",
                    kPlanX - kPlanRadius, kPlanY, kPlanRadius, kPlanRadius, kPlanX + kPlanRadius, kPlanY) +
        fmt::format("<circle class=\"listener\" cx=\"{}\" cy=\"{}\" r=\"9\"/>", kPlanX, kPlanY) +
        text(kPlanX, kPlanY + 26, "you", "text-anchor=\"middle\" class=\"tick\"") + plan_drums(r.image.rows);
    return figure(
        "plot-image", "Image",
        "Where the overheads put each drum between two speakers, from above; how far away it is drawn means "
        "nothing. " +
            behaviour,
        svg(int(kPlanWidth), int(kPlanHeight), "Plan view of the kit between the speakers", body));
}

std::string plot_worth(const CheckResult& r) {
    if (r.worth.empty()) return {};
    double most = 1.0;
    for (const auto& w : r.worth)
        if (std::isfinite(w.change_lu)) most = std::max(most, std::abs(w.change_lu));
    constexpr double left = 165, middle = 270, half = 90, heat_left = 372, cell_width = 15, row = 26;
    std::string body = text(middle, 16, "LU without it", "class=\"tick\" text-anchor=\"middle\"") +
                       text(heat_left, 16, "63 Hz", "class=\"tick\"") +
                       text(heat_left + 9 * cell_width, 16, "16 k", "class=\"tick\" text-anchor=\"end\"");
    for (std::size_t m = 0; m < r.worth.size(); ++m) {
        const auto& w = r.worth[m];
        const double y = 24 + row * double(m), change = std::isfinite(w.change_lu) ? w.change_lu : -most;
        const double length = half * std::min(1.0, std::abs(change) / most);
        body += text(left, y + 15, r.names[m].name, "text-anchor=\"end\"") +
                fmt::format("<rect class=\"{}\" x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"16\"/>",
                            change < 0 ? "less" : "more", change < 0 ? middle - length : middle, y + 3,
                            std::max(1.0, length)) +
                text(change < 0 ? middle + 6 : middle - 6, y + 15,
                     std::isfinite(w.change_lu) ? fmt::format("{:+.1f}", w.change_lu) : "all",
                     change < 0 ? "class=\"tick\"" : "class=\"tick\" text-anchor=\"end\"");
        for (std::size_t o = 0; o < w.change_db.size(); ++o)
            body += fmt::format("<rect class=\"{}\" x=\"{:.1f}\" y=\"{:.1f}\" width=\"{}\" height=\"18\" "
                                "fill-opacity=\"{:.2f}\"><title>{:.0f} Hz: {:+.1f} dB</title></rect>",
                                w.change_db[o] < 0 ? "less" : "more", heat_left + cell_width * double(o),
                                y + 2, cell_width - 1, std::min(1.0, std::abs(w.change_db[o]) / 6.0),
                                dsp::kOctaveHz[o], w.change_db[o]);
    }
    body += line(middle, 22, middle, 24 + row * double(r.worth.size()), "axis");
    return figure("plot-worth", "What each mic brings",
                  "Change of the submix when that mic is left out, with the fixes in place: loudness, and "
                  "each octave (full colour is 6 dB). "
                  "A bar to the left: quieter without it. To the right: louder, so it cancels something.",
                  svg(520, int(30 + row * double(r.worth.size())),
                      "Change in loudness and spectrum without each mic", body));
}

namespace {

/// One mic: from its loudest bleed to its softest own hit, the threshold between.
std::string gate_row(const CheckResult& r, const KitGate& g, double y, double left, double width) {
    constexpr double kBottomDb = -80.0;
    const auto& p = g.proposal;
    const auto x = [&](double db) { return left + width * std::clamp(1.0 - db / kBottomDb, 0.0, 1.0); };
    auto out = text(left - 8, y + 5, r.names[p.mic].name, "text-anchor=\"end\"");
    if (g.plan == GatePlan::blind) return out + text(left, y + 5, "no threshold proposed", "class=\"tick\"");
    const auto bleed = std::isfinite(p.loudest_bleed_db) ? p.loudest_bleed_db : kBottomDb;
    out += line(x(bleed), y, x(p.softest_hit_db), y, "apart") +
           fmt::format("<rect class=\"loudest\" x=\"{:.1f}\" y=\"{:.1f}\" width=\"10\" height=\"10\"/>",
                       x(bleed) - 5, y - 5) +
           fmt::format("<circle class=\"softest\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"6\"/>", x(p.softest_hit_db),
                       y) +
           line(x(p.threshold_db), y - 10, x(p.threshold_db), y + 10, "threshold");
    return out + text(left + width + 8, y + 5,
                      std::isfinite(p.loudest_bleed_db) ? fmt::format("{:.0f} dB", p.margin_db) : "no bleed",
                      "class=\"tick\"");
}

} // namespace

std::string plot_gates(const CheckResult& r) {
    if (r.gates.empty()) return {};
    constexpr double left = 130, width = 310, row = 30;
    const auto bottom = 20 + row * double(r.gates.size());
    std::string body, list;
    for (const double db : {-80.0, -60.0, -40.0, -20.0, 0.0}) {
        const double x = left + width * (1.0 + db / 80.0);
        body += line(x, 10, x, bottom, "grid") + text(x, bottom + 16,
                                                      fmt::format("{:.0f}{}", db, db == 0.0 ? " dBFS" : ""),
                                                      "class=\"tick\" text-anchor=\"middle\"");
    }
    for (std::size_t g = 0; g < r.gates.size(); ++g) {
        const auto& gate = r.gates[g];
        body += gate_row(r, gate, 30 + row * double(g), left, width);
        list += "<li>" + escaped(r.names[gate.proposal.mic].name) + ": " +
                escaped(gate.plan == GatePlan::blind
                            ? gate.proposal.why_not
                            : fmt::format("threshold {:.1f} dB ({})", gate.proposal.threshold_db,
                                          gate_plan_words(gate.plan))) +
                "</li>";
    }
    const auto doubt = doubt_words(r.gates, r.names);
    if (!doubt.empty()) list += "<li>" + escaped(doubt) + "</li>";
    return figure(
        "plot-gates", "Gates that hear the whole kit",
        "dBFS of the key, for a gate whose key is the kit: loudest sound that is no own hit (square), "
        "softest own hit (dot), the threshold between (bar) and, at the right, how far apart they are.",
        svg(520, int(bottom) + 24, "Softest own hit, loudest bleed and threshold of each mic", body) +
            "<ul>" + list + "</ul>");
}

} // namespace kitfold::offline
