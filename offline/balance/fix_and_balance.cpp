#include "offline/balance/fix_and_balance.h"
#include "offline/balance/balance.h"
#include "offline/balance/changes.h"
#include "offline/balance/words.h"
#include "offline/check/apply_fixes.h"
#include "offline/util/errors.h"
#include <fmt/format.h>
#include <nlohmann/json.hpp>
#include <utility>

namespace kitfold::offline {
namespace {

Session read_again(const Session& session) {
    auto again = load_session(session.path);
    again.range = session.range;
    return again;
}

/// What a mic brings depends on the levels, so it is told of those that are written.
void take_over_worth(CheckResult& now, CheckResult& to) {
    to.worth = std::move(now.worth), to.loudness_lufs = now.loudness_lufs;
    for (std::size_t m = 0; m < to.names.size(); ++m) to.names[m].level_db = now.names[m].level_db;
}

/// Levels of what the fixes left, and the fixes that only show at these levels, until there are none (three
/// times at most): so that a second check has nothing to propose. A take that can't be mixed can still be
/// checked: the text says why it has no balance. Keeps no backup where `backed_up`. Returns the backup that
/// it kept.
std::optional<std::filesystem::path> balance_and_fix(const Session& checked, bool backed_up,
                                                     CheckResult& result, Applied& said) {
    constexpr int kMostRounds = 3;
    const auto presets = load_presets(presets_folder());
    std::optional<std::filesystem::path> backup;
    try {
        for (int round = 0; round < kMostRounds; ++round) {
            const auto session = read_again(checked);
            const auto found = balance(session, {}, presets);
            const auto kept =
                apply_balance(session, found.levels.session, backed_up ? Backup::is_there : Backup::keep);
            if (kept && !backed_up) backup = kept, backed_up = true;
            said.balance = balance_text(found), said.landing = balance_line(found);
            if (!kept) break; // these levels were there when it was checked
            const auto balanced = read_again(checked);
            auto now = check(balanced);
            const bool whole = now.fixes.empty();
            if (!whole) apply_fixes(balanced, now, Backup::is_there);
            take_over_worth(now, result);
            if (whole) break;
        }
    } catch (const Error& error) {
        if (error.code() != Exit::bad_input) throw;
        said.balance = said.landing = fmt::format("No balance: {}\n", error.what());
    }
    return backup;
}

} // namespace

Applied fix_and_balance(const Session& session, CheckResult& result) {
    Applied said;
    if (result.names_exchanged()) {
        said.written.line = "Nothing was written: put the two mics right first, then check again";
        return said;
    }
    auto backup = apply_fixes(session, result);
    if (!session.like.empty()) {
        said.landing = "Levels are those of " + session.like +
                       " and stay; kitfold balance sets them for this take alone.\n";
        said.balance = said.landing;
    } else if (const auto kept = balance_and_fix(session, backup.has_value(), result, said))
        backup = kept;
    said.written.line =
        backup ? "Written into " + session.path.string() + "; the old file is " + backup->string()
               : session.path.string() + " needs no change";
    said.written.changes = changes_between(session, load_session(session.path));
    return said;
}

} // namespace kitfold::offline
