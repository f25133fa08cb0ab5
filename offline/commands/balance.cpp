#include "offline/balance/balance.h"
#include "offline/balance/words.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit balance_command(const BalanceOptions& options) {
    auto session = load_session(options.session);
    session.range = read_range(options.range.from, options.range.to);
    const auto presets = load_presets(presets_folder());
    const auto wish = balance_wish(options.balance, options.side, presets);
    BalanceResult result;
    {
        Progress progress("balance");
        result = balance(session, wish, presets, [&](double share) { progress.show(share); });
    }
    std::string written;
    if (options.apply) {
        const auto backup = apply_balance(session, result.levels.session);
        written =
            backup ? "Written into " + session.path.string() + "; the old file is " + backup->string() + "\n"
                   : session.path.string() + " needs no change\n";
    }
    const auto answer = options.apply ? Answer::about_files : Answer::itself;
    options.json ? print_json(balance_json(result), answer) : print(balance_text(result) + written, answer);
    return Exit::done;
}

} // namespace kitfold::offline
