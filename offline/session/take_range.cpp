#include "offline/session/take_range.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <charconv>
#include <cmath>
#include <fmt/format.h>
#include <string_view>
#include <vector>

namespace kitfold::offline {
namespace {

Error no_time(const std::string& name, const std::string& text) {
    return bad_input(fmt::format(
        "{} {}: is no time; minutes and seconds such as 1:05 or 1:05.5 would be right, or seconds", name,
        text));
}

/// Digits, and decimals where they are allowed; -1 for anything else.
double number_of(std::string_view text, bool decimals) {
    const bool plain = !text.empty() && text.front() != '.' && text.back() != '.' &&
                       std::all_of(text.begin(), text.end(),
                                   [&](char c) { return (c >= '0' && c <= '9') || (decimals && c == '.'); });
    double value = 0.0;
    const auto read =
        std::from_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed);
    return plain && read.ec == std::errc() && read.ptr == text.data() + text.size() ? value : -1.0;
}

double seconds_of(const std::string& name, const std::string& text) {
    constexpr double kLongest_s = 1e6; // no take is a week long
    std::vector<std::string_view> parts;
    for (std::string_view rest = text;;) {
        const auto colon = rest.find(':');
        parts.push_back(rest.substr(0, colon));
        if (colon == std::string_view::npos) break;
        rest.remove_prefix(colon + 1);
    }
    double seconds = 0.0;
    for (std::size_t i = 0; i < parts.size(); ++i) {
        const double value = number_of(parts[i], i + 1 == parts.size());
        if (value < 0.0 || (i > 0 && value >= 60.0) || parts.size() > 3) throw no_time(name, text);
        seconds = 60.0 * seconds + value;
    }
    if (seconds > kLongest_s) throw no_time(name, text);
    return seconds;
}

/// @param dashes before the names of the two, in errors
TakeRange range_of(const std::string& from, const std::string& to, const std::string& dashes) {
    TakeRange range;
    if (!from.empty()) range.from_s = seconds_of(dashes + "from", from);
    if (!to.empty()) range.to_s = seconds_of(dashes + "to", to);
    if (range.from_s >= range.to_s)
        throw bad_input(fmt::format("{0}from {1} {0}to {2}: there is nothing between the two; {0}to must be "
                                    "later",
                                    dashes, from.empty() ? "0:00" : from, to));
    return range;
}

} // namespace

bool TakeRange::whole() const noexcept { return from_s == 0.0 && std::isinf(to_s); }

TakeRange read_range(const std::string& from, const std::string& to, const TakeRange& otherwise) {
    return from.empty() && to.empty() ? otherwise : range_of(from, to, "--");
}

TakeRange stored_range(const std::string& from, const std::string& to) { return range_of(from, to, ""); }

std::string clock_text(double seconds) {
    const auto ms = std::llround(seconds * 1'000.0);
    auto text = fmt::format("{:02}.{:03}", ms / 1'000 % 60, ms % 1'000);
    text.erase(text.find_last_not_of('0') + 1);
    if (text.back() == '.') text.pop_back();
    if (text.size() < 2) text.insert(0, 2 - text.size(), '0');
    return ms < 3'600'000 ? fmt::format("{}:{}", ms / 60'000, text)
                          : fmt::format("{}:{:02}:{}", ms / 3'600'000, ms / 60'000 % 60, text);
}

FrameRange frames_of(const TakeRange& range, double rate_hz, std::int64_t length) {
    const double seconds = double(length) / rate_hz;
    const auto beyond = [&](const char* name, double at) {
        return bad_input(fmt::format("{} {} is beyond the end; the take is {} long", name, clock_text(at),
                                     clock_text(seconds)));
    };
    FrameRange frames{std::llround(range.from_s * rate_hz), length};
    if (frames.first >= length) throw beyond("from", range.from_s);
    if (std::isinf(range.to_s)) return frames;
    frames.end = std::llround(range.to_s * rate_hz);
    if (frames.end > length) throw beyond("to", range.to_s);
    if (frames.end == frames.first)
        throw bad_input(fmt::format("from {} to {}: there is not one sample between the two",
                                    clock_text(range.from_s), clock_text(range.to_s)));
    return frames;
}

FilePart part_of_file(std::int64_t start, std::int64_t frames, const FrameRange& range) noexcept {
    const auto begin = std::clamp(range.first, start, start + frames);
    const auto end = std::clamp(range.end, begin, start + frames);
    return {std::max<std::int64_t>(begin - range.first, 0), begin - start, end - begin};
}

} // namespace kitfold::offline
