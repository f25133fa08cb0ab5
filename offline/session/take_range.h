#pragma once
// A part of a take, as --from and --to name it, or "from" and "to" of a session.
#include <cstdint>
#include <limits>
#include <string>

namespace kitfold::offline {

/// Seconds from the beginning of the take: where its earliest mic begins.
struct TakeRange {
    double from_s = 0.0, to_s = std::numeric_limits<double>::infinity();
    [[nodiscard]] bool whole() const noexcept;
};

/// From the text of two options: "1:05", "1:02:05", "65" or "65.25" (decimals with each); empty for the
/// beginning or the end, and `otherwise` when both are. Throws Error, bad_input: not a time, or nothing
/// between the two.
TakeRange read_range(const std::string& from, const std::string& to, const TakeRange& otherwise = {});
/// The same from a session, whose errors name its keys.
TakeRange stored_range(const std::string& from, const std::string& to);

/// "1:05.25": at most a millisecond is told, and no zeros at the end.
std::string clock_text(double seconds);

/// In frames of a take, counted from its beginning.
struct FrameRange {
    std::int64_t first = 0, end = 0;
};
/// Rounded to the nearest frame. Throws Error, bad_input, when it goes beyond the end of the take.
FrameRange frames_of(const TakeRange& range, double rate_hz, std::int64_t length);

/// What is left of a file that begins `start` frames into the take.
struct FilePart {
    std::int64_t start = 0;  ///< after the beginning of the range
    std::int64_t skip = 0;   ///< frames of the file that come before it
    std::int64_t frames = 0; ///< 0: the file has nothing in the range
};
FilePart part_of_file(std::int64_t start, std::int64_t frames, const FrameRange& range) noexcept;

} // namespace kitfold::offline
