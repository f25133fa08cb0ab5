#include "offline/live/screen.h"
#include "offline/util/json_number.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

constexpr std::size_t kColumns = 80, kLines = 24, kMicLines = 16, kMessages = 3;
constexpr double kLowestDb = -60.0; ///< left end of a bar

/// Cut or filled up to so many letters; a letter of UTF-8 begins with a byte that continues none.
std::string fitted(const std::string& text, std::size_t letters) {
    std::string out;
    std::size_t count = 0;
    for (const char c : text) {
        const bool begins = (static_cast<unsigned char>(c) & 0xC0) != 0x80;
        if (begins && ++count > letters) return out;
        out += c;
    }
    return out + std::string(letters - count, ' ');
}

/// "=====     |": the peak, and where it was held.
std::string bar(const PeakMeter& meter, std::size_t width) {
    const auto place = [&](double db) {
        const double share = std::clamp(1.0 - db / kLowestDb, 0.0, 1.0);
        return static_cast<std::size_t>(std::lround(share * static_cast<double>(width)));
    };
    std::string out(width, ' ');
    std::fill_n(out.begin(), place(meter.shown_db), '=');
    if (const auto hold = place(meter.hold_db); hold > 0) out[hold - 1] = '|';
    return out;
}

double tenths(double x) { return rounded(std::max(x, -200.0), 1); }

std::string level(double db) { return db <= PeakMeter::kFloorDb ? "  -inf" : fmt::format("{:6.1f}", db); }

std::string clock(double seconds) {
    const auto s = static_cast<std::int64_t>(std::max(seconds, 0.0));
    return fmt::format("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60);
}

std::string lost_words(const LiveReadings& counts) {
    return fmt::format("lost {}", counts.server_lost) +
           (counts.tape_lost_frames > 0 ? fmt::format(", not recorded {} samples", counts.tape_lost_frames)
                                        : std::string());
}

/// The beginning of the newest message on as many lines as it needs, and what fits of those before it.
std::vector<std::string> newest(const std::vector<std::string>& messages, std::size_t most) {
    std::vector<std::string> out;
    for (std::size_t m = messages.size(); m-- > 0 && out.size() < most;) {
        std::vector<std::string> lines;
        for (std::string rest = messages[m]; !rest.empty();) {
            auto end = rest.size() <= kColumns ? rest.size() : rest.rfind(' ', kColumns);
            if (end == std::string::npos || end == 0) end = kColumns;
            lines.push_back(rest.substr(0, end));
            rest.erase(0, rest.find_first_not_of(' ', end));
        }
        if (!out.empty() && out.size() + lines.size() > most) break;
        out.insert(out.begin(), lines.begin(), lines.end());
    }
    out.resize(most);
    return out;
}

bool is_narrow(std::size_t width) { return width < 60; }

/// What a soundcheck knows of a mic, beside its meter.
std::string learned_cells(const MicSoundcheck& mic, std::size_t width) {
    const auto strokes = mic.strokes ? fmt::format("{:4}", *mic.strokes) : std::string(4, ' ');
    if (is_narrow(width))
        return strokes + (mic.arrival ? fmt::format("{:+7.2f}{}", mic.arrival->delay_ms,
                                                    mic.arrival->opposite ? '!' : ' ')
                                      : std::string(8, ' '));
    const auto turn = !mic.gain           ? std::string()
                      : mic.gain->clipped ? fmt::format("{:+}!", mic.gain->turn_db)
                      : mic.gain->turn_db ? fmt::format("{:+}", mic.gain->turn_db)
                                          : std::string("ok");
    const auto gate = mic.threshold_db ? fmt::format("{:.0f}", *mic.threshold_db) : std::string();
    return strokes + fmt::format("{:>5}{:>5}  ", turn, gate) + fitted(arrival_words(mic.arrival), 26);
}

constexpr std::size_t kNarrowCells = 12, kWideCells = 42; ///< of what learned_cells() gives

std::string cells_title() {
    return std::string(kColumns - kWideCells, ' ') + " hit turn gate  hears it before - or after +";
}

std::string mic_line(const LiveView::Mic& mic, std::size_t width, const MicSoundcheck* learned = nullptr) {
    const bool narrow = is_narrow(width);
    const bool brief = narrow || learned != nullptr; // no room for the peak in figures: what it held is there
    const std::size_t cells = learned == nullptr ? 0 : narrow ? kNarrowCells : kWideCells;
    const std::size_t name = brief ? 11 : 15, rest = brief ? 14 : 22;
    const auto* open = !mic.open ? "    " : *mic.open ? "open" : "shut";
    const auto* clip = mic.meter.clipped ? "CLIP" : "    ";
    auto out = fitted(mic.name, name) + ' ' + bar(mic.meter, width - name - rest - 2 - cells) + ' ';
    if (!brief) out += level(mic.meter.shown_db);
    out += level(mic.meter.hold_db);
    out += brief ? fmt::format(" {:.2} {}", clip, open) : fmt::format(" {} {}", clip, open);
    return learned == nullptr ? out : out + learned_cells(*learned, width);
}

std::vector<std::string> mic_lines(const LiveView& v) {
    const auto of = [&](std::size_t m, std::size_t width) {
        return mic_line(v.mics[m], width, v.soundcheck ? &v.soundcheck->mics[m] : nullptr);
    };
    std::vector<std::string> out;
    if (v.mics.size() <= kMicLines) {
        for (std::size_t m = 0; m < v.mics.size(); ++m) out.push_back(of(m, kColumns));
        return out;
    }
    constexpr auto kHalf = kColumns / 2 - 1;
    for (std::size_t m = 0; m < kMicLines; ++m) {
        const auto other = m + kMicLines;
        out.push_back(of(m, kHalf) + "  " + (other < v.mics.size() ? of(other, kHalf) : std::string()));
    }
    return out;
}

} // namespace

void PeakMeter::add(double peak, double seconds) {
    const double db = std::max(peak_db(peak), kFloorDb);
    shown_db = std::max(db, std::max(shown_db - 20.0 / 1.7 * seconds, kFloorDb));
    held_s += seconds;
    if (db >= hold_db || held_s > kHoldS) hold_db = std::max(db, shown_db), held_s = 0.0;
    clipped = clipped || peak >= kClipped;
}

std::string screen_text(const LiveView& v) {
    std::string out;
    const auto line = [&](const std::string& text) {
        const auto cut = fitted(text, kColumns);
        out += cut.substr(0, cut.find_last_not_of(' ') + 1) + '\n';
    };
    line(fmt::format("{}  {}", v.take.empty() ? "not recording" : v.take + "  " + clock(v.take_s),
                     v.disk_left_s ? "disk left " + clock(*v.disk_left_s) : std::string()) +
         "   " + lost_words(v.counts) + "   running " + clock(v.seconds));
    if (v.soundcheck && v.mics.size() <= kMicLines) line(cells_title());
    for (const auto& mic : mic_lines(v)) line(mic);
    line(mic_line({"left", v.tracks[0], {}}, kColumns));
    line(mic_line({"right", v.tracks[1], {}}, kColumns));
    line(fmt::format("{}loudness {:.1f} LUFS (3 s)   callback {:.0f}, at most {:.0f} of {:.0f} us",
                     v.reduction_db ? fmt::format("bus {:.1f} dB   ", 0.0 - *v.reduction_db) : std::string(),
                     v.loudness_lufs, v.times.mean_us, v.times.worst_us, v.block_us));
    if (v.soundcheck) line("strokes: " + stroke_words(*v.soundcheck));
    const auto before = static_cast<std::size_t>(std::count(out.begin(), out.end(), '\n'));
    for (const auto& text : newest(v.messages, std::min(kMessages, kLines - 1 - before))) line(text);
    line(v.take.empty() ? "q stop" : "Enter new take   m marker   q stop");
    return out;
}

std::string status_line(const LiveView& v) {
    const auto loudest = std::max_element(v.mics.begin(), v.mics.end(), [](const auto& a, const auto& b) {
        return a.meter.hold_db < b.meter.hold_db;
    });
    auto out = clock(v.seconds) + (v.take.empty() ? std::string() : "  " + v.take + " " + clock(v.take_s));
    out += fmt::format("  loudest {}{} dBFS", loudest->name, level(loudest->meter.hold_db));
    for (const auto& mic : v.mics)
        if (mic.meter.clipped) out += "  CLIP " + mic.name;
    if (v.soundcheck) out += "  strokes: " + stroke_words(*v.soundcheck);
    if (v.reduction_db) out += fmt::format("  bus {:.1f} dB", 0.0 - *v.reduction_db);
    out += fmt::format("  {:.1f} LUFS", v.loudness_lufs);
    if (v.disk_left_s) out += "  disk left " + clock(*v.disk_left_s);
    return out + "  " + lost_words(v.counts) + '\n';
}

namespace {

void add_learned(const MicSoundcheck& mic, dsp::Json& to) {
    if (mic.strokes) to["strokes"] = *mic.strokes;
    if (mic.gain) to["headroom_db"] = tenths(mic.gain->headroom_db), to["turn_preamp_db"] = mic.gain->turn_db;
    if (mic.threshold_db) to["gate_threshold_db"] = tenths(*mic.threshold_db);
    if (mic.arrival)
        to["arrival"] = {{"partner", mic.arrival->partner},
                         {"delay_ms", rounded(mic.arrival->delay_ms, 3)},
                         {"opposite", mic.arrival->opposite}};
}

} // namespace

dsp::Json status_json(const LiveView& v) {
    dsp::Json out = {{"kitfold_live", 1}, {"seconds", tenths(v.seconds)}, {"mics", dsp::Json::array()}};
    if (!v.take.empty()) out["take"] = v.take, out["take_s"] = tenths(v.take_s);
    for (std::size_t m = 0; m < v.mics.size(); ++m) {
        const auto& mic = v.mics[m];
        auto& entry = out["mics"].emplace_back(dsp::Json{{"name", mic.name},
                                                         {"peak_dbfs", tenths(mic.meter.shown_db)},
                                                         {"hold_dbfs", tenths(mic.meter.hold_db)},
                                                         {"clipped", mic.meter.clipped}});
        if (mic.open) entry["gate_open"] = *mic.open;
        if (v.soundcheck) add_learned(v.soundcheck->mics[m], entry);
    }
    if (v.soundcheck)
        for (const auto& [drum, strokes] : v.soundcheck->strokes)
            out["strokes"][std::string(dsp::drum_name(drum))] = strokes;
    out["left_dbfs"] = tenths(v.tracks[0].hold_db), out["right_dbfs"] = tenths(v.tracks[1].hold_db);
    if (v.reduction_db) out["reduction_db"] = tenths(*v.reduction_db);
    out["loudness_lufs"] = tenths(v.loudness_lufs);
    if (v.disk_left_s) out["disk_left_s"] = std::floor(*v.disk_left_s);
    out["lost_buffers"] = v.counts.server_lost, out["not_recorded_samples"] = v.counts.tape_lost_frames;
    out["markers"] = v.counts.markers, out["edits"] = v.counts.edits;
    out["callback_us"] = {{"calls", v.times.calls},
                          {"late", v.times.late},
                          {"mean", tenths(v.times.mean_us)},
                          {"p999", tenths(v.times.p999_us)},
                          {"worst", tenths(v.times.worst_us)},
                          {"of", tenths(v.block_us)}};
    return out;
}

} // namespace kitfold::offline
