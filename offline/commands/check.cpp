#include "offline/check/check.h"
#include "offline/check/apply_fixes.h"
#include "offline/check/output.h"
#include "offline/check/page.h"
#include "offline/commands/command.h"
#include "offline/session/outputs.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include "offline/util/progress.h"
#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

struct Options {
    std::string session, report;
    bool json = false, apply = false;
};

/// What was done, for a person.
std::string apply(const Session& session, const CheckResult& result) {
    if (result.names_exchanged())
        return "Nothing was written: put the two mics right first, then check again\n";
    const auto backup = apply_fixes(session, result);
    return backup ? "Written into " + session.path.string() + "; the old file is " + backup->string() + "\n"
                  : session.path.string() + " needs no change\n";
}

void run(const Options& options, Context& context) {
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
    if (!result.nothing_to_fix()) context.exit_code = static_cast<int>(Exit::found);
}

} // namespace

void add_check(CLI::App& app, Context& context) {
    const auto options = std::make_shared<Options>();
    CLI::App* command = app.add_subcommand("check", "Find out whether the mics of a session work together");
    command->add_option("SESSION", options->session, "A session.json, or the folder that holds one")
        ->required();
    command->add_option("--report", options->report, "Also write a page to look at: one HTML file");
    command->add_flag("--apply", options->apply,
                      "Write polarity, delay, bleed and the thresholds of gates into the session; the old "
                      "file is kept");
    add_json_flag(*command, options->json);
    command->footer("Ends with 0 when there is nothing to fix, with 1 when there is.");
    command->callback([options, &context] { run(*options, context); });
}

} // namespace kitfold::offline
