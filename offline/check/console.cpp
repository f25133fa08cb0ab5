#include "offline/check/console.h"
#include "offline/check/output.h"
#include "offline/check/words.h"
#include "offline/util/columns.h"
#include <algorithm>
#include <fmt/format.h>
#include <string_view>

namespace kitfold::offline {
namespace {

constexpr std::size_t kMostToDo = 5; // more is not read, and after these the take is another one

constexpr std::string_view kGood = "good", kFix = "FIX ", kLook = "LOOK";

std::string mark(std::optional<Weight> weight) {
    return std::string(!weight ? kGood : *weight == Weight::fix ? kFix : kLook);
}

std::string finding(const Verdict& v) {
    auto out = mark(v.weight) + " " + wrapped(v.text, 5) + '\n';
    for (const auto& line : v.also) out += "     - " + wrapped(line, 7) + '\n';
    if (!v.source.empty()) out += "     At the source: " + wrapped(v.source, 20) + '\n';
    if (!v.software.empty()) out += "     In software:   " + wrapped(v.software, 20) + '\n';
    return out;
}

/// What there is to do, the largest first, without what follows from it.
std::string to_do(const std::vector<Verdict>& all) {
    std::string out;
    std::size_t told = 0;
    for (const auto& v : all) {
        if (v.source.empty() && v.software.empty()) continue; // nothing can be done about it
        if (told++ == kMostToDo) break;
        auto brief = v;
        brief.also.clear();
        out += finding(brief);
    }
    const auto fixes =
        std::count_if(all.begin(), all.end(), [](const auto& v) { return v.weight == Weight::fix; });
    if (const auto rest = fixes - std::ptrdiff_t(kMostToDo); rest > 0)
        out += fmt::format("     … and {} more to fix: --details shows all\n", rest);
    return out.empty() ? out : out + '\n';
}

std::string mic_lines(const CheckResult& r) {
    std::size_t width = 0;
    for (const auto& mic : r.names) width = std::max(width, std::min<std::size_t>(mic.name.size(), 30));
    std::string out;
    for (std::size_t m = 0; m < r.mics.size(); ++m) {
        const auto word = mic_word(r, m);
        const auto peak = r.mics[m].levels.peak_dbfs;
        const auto level =
            r.mics[m].has_signal() ? fmt::format("{:.1f} dBFS", peak) : std::string("no signal");
        out += fmt::format("{} {}  {:>11}", mark(word.weight), cell(r.names[m].name, width), level);
        if (!word.text.empty()) out += "  " + wrapped(word.text, width + 20);
        out += '\n';
    }
    return out;
}

} // namespace

std::string check_text(const CheckResult& r, Telling telling, bool applied) {
    auto out = headline(r, applied) + '\n';
    if (telling == Telling::verdict) return out;
    out += fmt::format("{} mics, {} at {:.0f} Hz\n\n", r.names.size(), length_words(r), r.rate_hz);
    const auto all = verdicts(r, applied);
    if (telling == Telling::details) {
        for (const auto& v : all) out += finding(v);
        if (!all.empty()) out += '\n';
        out += check_tables(r);
    } else {
        out += to_do(all) + mic_lines(r);
    }
    for (const auto& notice : r.notices) out += wrapped(notice, 0) + '\n';
    return out;
}

std::string in_colour(const std::string& text, const Ink& ink) {
    std::string out;
    for (std::size_t at = 0; at < text.size();) {
        const auto end = std::min(text.find('\n', at), text.size());
        const auto line = std::string_view(text).substr(at, end - at);
        const auto first = line.substr(0, 4), rest = line.substr(std::min<std::size_t>(4, line.size()));
        if (at == 0)
            out += ink.strong(line);
        else if (first == kFix)
            out.append(ink.alarm(first)).append(rest);
        else if (first == kLook)
            out.append(ink.notice(first)).append(rest);
        else if (first == kGood)
            out.append(ink.good(first)).append(rest);
        else
            out += line;
        if (end < text.size()) out += '\n';
        at = end + 1;
    }
    return out;
}

} // namespace kitfold::offline
