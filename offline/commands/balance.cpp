#include "offline/balance/balance.h"
#include "offline/balance/words.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/like.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

namespace {

std::string written_words(const Session& session, const std::optional<std::filesystem::path>& backup) {
    return backup ? "Written into " + session.path.string() + "; the old file is " + backup->string() + "\n"
                  : session.path.string() + " needs no change\n";
}

Exit as_another(const BalanceOptions& options, const Session& session) {
    const auto other = load_session(options.like);
    std::error_code ignored;
    if (std::filesystem::equivalent(other.path, session.path, ignored))
        throw bad_input("--like " + options.like + ": is the session itself; name another one");
    const auto found = like(session, other);
    std::string written;
    if (options.apply)
        written =
            written_words(session, change_file(session, [&](dsp::Json& json) { write_like(found, json); }));
    const auto answer = options.apply ? Answer::about_files : Answer::itself;
    options.json ? print_json(like_json(found), answer) : print(like_text(found) + written, answer);
    return Exit::done;
}

} // namespace

Exit balance_command(const BalanceOptions& options) {
    auto session = load_session(options.session);
    session.range = read_range(options.range.from, options.range.to, session.range);
    if (!options.like.empty()) return as_another(options, session);
    const auto presets = load_presets(presets_folder());
    const auto wish = balance_wish(options.balance, options.side, presets);
    BalanceResult result;
    {
        Progress progress("balance");
        result = balance(session, wish, presets, [&](double share) { progress.show(share); });
    }
    std::string written;
    if (options.apply) written = written_words(session, apply_balance(session, result.levels.session));
    const auto answer = options.apply ? Answer::about_files : Answer::itself;
    options.json ? print_json(balance_json(result), answer) : print(balance_text(result) + written, answer);
    return Exit::done;
}

} // namespace kitfold::offline
