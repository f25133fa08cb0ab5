#include "offline/check/check.h"
#include "offline/balance/balance.h"
#include "offline/balance/words.h"
#include "offline/check/apply_fixes.h"
#include "offline/check/output.h"
#include "offline/check/page.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/outputs.h"
#include "offline/util/atomic_file.h"
#include "offline/util/progress.h"
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

namespace {

/// Levels of what the fixes left, and the fixes that only show at these levels, until there are none (three
/// times at most): so that a second check has nothing to propose. A take that can't be mixed can still be
/// checked: the text says why it has no balance. Keeps no backup where `backed_up`. Returns the backup that
/// it kept.
std::optional<std::filesystem::path> balance_and_fix(const std::filesystem::path& path, bool backed_up,
                                                     std::string& said) {
    constexpr int kMostRounds = 3;
    const auto presets = load_presets(presets_folder());
    std::optional<std::filesystem::path> backup;
    try {
        for (int round = 0; round < kMostRounds; ++round) {
            const auto session = load_session(path);
            const auto found = balance(session, {}, presets);
            const auto kept =
                apply_balance(session, found.levels.session, backed_up ? Backup::is_there : Backup::keep);
            if (kept && !backed_up) backup = kept, backed_up = true;
            said = fmt::format("\n{}\n", balance_text(found));
            if (!kept) break; // these levels were there when it was checked
            const auto balanced = load_session(path);
            const auto result = check(balanced);
            if (result.fixes.empty()) break;
            apply_fixes(balanced, result, Backup::is_there);
        }
    } catch (const Error& error) {
        if (error.code() != Exit::bad_input) throw;
        said = fmt::format("\nNo balance: {}\n", error.what());
    }
    return backup;
}

/// Fixes first, then the balance of what they leave. What was done, for a person.
std::string apply(const Session& session, const CheckResult& result) {
    if (result.names_exchanged())
        return "Nothing was written: put the two mics right first, then check again\n";
    std::string said;
    auto backup = apply_fixes(session, result);
    if (const auto kept = balance_and_fix(session.path, backup.has_value(), said)) backup = kept;
    return said +
           (backup ? "Written into " + session.path.string() + "; the old file is " + backup->string()
                   : session.path.string() + " needs no change") +
           "\n";
}

} // namespace

Exit check_command(const CheckOptions& options) {
    const auto session = load_session(options.session);
    if (!options.report.empty()) {
        Outputs outputs;
        outputs.reads(session);
        outputs.writes(options.report, Product::report);
    }
    CheckResult result;
    {
        Progress progress("check");
        result = check(session, [&](double share) { progress.show(share); });
    }
    if (!options.report.empty())
        write_whole_file(options.report, sealed_page(check_report(result, session.title), Product::report));
    const auto applied = options.apply ? apply(session, result) : std::string();
    if (options.json)
        print_json(check_json(result));
    else
        print(check_text(result) + applied);
    return result.nothing_to_fix() ? Exit::done : Exit::found;
}

} // namespace kitfold::offline
