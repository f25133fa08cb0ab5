#include "offline/check/check.h"
#include "offline/balance/fix_and_balance.h"
#include "offline/check/output.h"
#include "offline/check/page.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/outputs.h"
#include "offline/util/atomic_file.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit check_command(const CheckOptions& options) {
    auto session = load_session(options.session);
    session.range = read_range(options.range.from, options.range.to);
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
    const auto applied = options.apply ? fix_and_balance(session, result) : std::string();
    const auto answer = options.apply || !options.report.empty() ? Answer::about_files : Answer::itself;
    if (options.json)
        print_json(check_json(result), answer);
    else
        print(check_text(result) + applied, answer);
    return result.nothing_to_fix() ? Exit::done : Exit::found;
}

} // namespace kitfold::offline
