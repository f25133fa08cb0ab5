#include "offline/check/check.h"
#include "offline/balance/fix_and_balance.h"
#include "offline/check/against.h"
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

std::string text_of(const CheckOptions& options, const CheckResult& result, const Applied& applied,
                    const std::optional<Comparison>& changes) {
    const auto telling = options.details ? Telling::details
                         : options.quiet ? Telling::verdict
                                         : Telling::summary;
    auto out = check_text(result, telling, !applied.written.changes.empty());
    if (changes) out.append(1, '\n').append(comparison_text(*changes));
    if (!options.quiet && !applied.landing.empty())
        out.append(1, '\n').append(options.details ? applied.balance + '\n' : applied.landing);
    if (!applied.written.line.empty()) out.append(applied.written.line).append(1, '\n');
    return out;
}

dsp::Json json_of(const CheckResult& result, const std::optional<Comparison>& changes) {
    auto json = check_json(result);
    if (changes) json["against"] = comparison_json(*changes);
    return json;
}

/// Both takes whole, and the halves of the newer one: what repeats within it is no change.
Comparison compared(const Session& session, const CheckResult& result, const Session& other) {
    Progress progress("compare");
    const auto [first, second] = halves_of(session, result);
    int done = 0;
    const auto one = [&](const Session& take) {
        auto out = check(take, [&](double share) { progress.show((done + share) / 3.0); });
        ++done;
        return out;
    };
    const auto then = one(other), first_half = one(first), second_half = one(second);
    return compare_takes(result, first_half, second_half, then, other.path.string());
}

} // namespace

Exit check_command(const CheckOptions& options) {
    auto session = load_session(options.session);
    session.range = read_range(options.range.from, options.range.to, session.range);
    if (!options.report.empty()) {
        Outputs outputs;
        outputs.reads(session);
        outputs.writes(options.report, Product::report);
    }
    const auto other = options.against.empty() ? std::nullopt : std::optional(load_session(options.against));
    CheckResult result;
    {
        Progress progress("check");
        result = check(session, [&](double share) { progress.show(share); });
    }
    const auto changes = other ? std::optional(compared(session, result, *other)) : std::nullopt;
    PageParts parts;
    if (!options.report.empty()) { // before anything is written
        parts.sounds = fix_sounds(session, result);
        if (changes) parts.comparison = comparison_html(*changes);
    }
    const auto applied = options.apply ? fix_and_balance(session, result) : Applied{};
    parts.written = applied.written;
    if (!options.report.empty())
        write_whole_file(options.report,
                         sealed_page(check_report(result, session.title, parts), Product::report));
    const auto answer = options.apply || !options.report.empty() ? Answer::about_files : Answer::itself;
    if (options.json)
        print_json(json_of(result, changes), answer);
    else
        print(text_of(options, result, applied, changes), answer,
              [](const std::string& text) { return in_colour(text, Ink::for_stdout()); });
    return result.nothing_to_fix() ? Exit::done : Exit::found;
}

} // namespace kitfold::offline
