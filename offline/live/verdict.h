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
    std::string line;                  ///< for people; the whole text is in check.txt beside the take
    std::optional<CheckResult> result; ///< nothing when the take can't be checked
};

/// Checks takes one after the other on threads that give way to everything else. One thread asks.
class TakeChecks {
public:
    void ask(const std::filesystem::path& take) { waiting_.push_back(take); }
    /// One that is ready, if any. @param patient waits for it
    [[nodiscard]] std::optional<TakeVerdict> next(bool patient);

private:
    std::deque<std::filesystem::path> waiting_;
    std::future<TakeVerdict> running_;
};

} // namespace kitfold::offline
