#include "offline/check/check.h"
#include "offline/balance/fix_and_balance.h"
#include "offline/check/console.h"
#include "offline/check/output.h"
#include "offline/check/page.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/outputs.h"
#include "offline/util/atomic_file.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

namespace {

std::string text_of(const CheckOptions& options, const CheckResult& result, const Applied& applied) {
    const auto telling = options.details ? Telling::details
                         : options.quiet ? Telling::verdict
                                         : Telling::summary;
    auto out = check_text(result, telling, Ink::for_stdout(), !applied.written.changes.empty());
    if (!options.quiet && !applied.landing.empty())
        out += "\n" + (options.details ? applied.balance + "\n" : applied.landing);
    return applied.written.line.empty() ? out : out + applied.written.line + "\n";
}

} // namespace

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
    std::vector<FixSound> sounds; // before anything is written
    if (!options.report.empty()) sounds = fix_sounds(session, result);
    const auto applied = options.apply ? fix_and_balance(session, result) : Applied{};
    const auto answer = options.apply || !options.report.empty() ? Answer::about_files : Answer::itself;
    if (!options.report.empty())
        write_whole_file(
            options.report,
            sealed_page(check_report(result, session.title, applied.written, sounds), Product::report));
    if (options.json)
        print_json(check_json(result), answer);
    else
        print(text_of(options, result, applied), answer);
    return result.nothing_to_fix() ? Exit::done : Exit::found;
}

} // namespace kitfold::offline
