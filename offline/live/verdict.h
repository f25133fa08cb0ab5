#pragma once
// `check` on the takes that have just been recorded, while the next one is played.
#include "offline/check/check.h"
#include <deque>
#include <filesystem>
#include <future>
#include <optional>

namespace kitfold::offline {

struct TakeVerdict {
    std::filesystem::path take;
    bool whole = true; ///< false: of what there was of it so far
    std::string line;  ///< for people; of a whole take; the whole text is in check.txt in the take
    std::optional<CheckResult> result; ///< nothing when the take can't be checked
};

/// Checks takes, or what there is of one, one after the other on threads that give way to everything else.
/// One thread asks.
class TakeChecks {
public:
    /// When it is whole: its text goes into check.txt in its folder.
    void ask(const std::filesystem::path& take) { waiting_.push_back({take, {}}); }
    /// While it grows: its first seconds. Writes nothing.
    void ask_so_far(const std::filesystem::path& take, double seconds) {
        waiting_.push_back({take, seconds});
    }
    [[nodiscard]] bool busy() const noexcept { return running_.valid() || !waiting_.empty(); }
    /// One that is ready, if any; what was asked begins with such a call. @param patient waits for it
    [[nodiscard]] std::optional<TakeVerdict> next(bool patient);

private:
    struct Asked {
        std::filesystem::path take;
        std::optional<double> seconds; ///< none: it is whole
    };
    static TakeVerdict judge(const Asked& asked);

    std::deque<Asked> waiting_;
    std::future<TakeVerdict> running_;
};

} // namespace kitfold::offline
