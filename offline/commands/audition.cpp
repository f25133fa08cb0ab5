#include "offline/audition/audition.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/roles.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

namespace {

AuditionRequest request_of(const AuditionOptions& o) {
    if (o.session.empty() == o.open.empty() || o.open.empty() != o.deadened.empty())
        throw bad_input("audition takes either a SESSION, or --open TAKE and --deadened TAKE");
    AuditionRequest request;
    request.role = role_named("--role", o.role);
    request.open = load_session(o.session.empty() ? o.open : o.session);
    request.open.range = read_range(o.range.from, o.range.to, request.open.range);
    if (!o.deadened.empty() && !(o.range.from + o.range.to).empty())
        throw bad_input("--from and --to are for a SESSION, not for --open and --deadened");
    if (!o.deadened.empty()) request.deadened = load_session(o.deadened);
    request.amount = o.amount, request.folder = o.folder;
    return request;
}

} // namespace

Exit audition_command(const AuditionOptions& options) {
    const auto request = request_of(options);
    AuditionResult result;
    {
        Progress progress("audition");
        result = audition(request, [&](double share) { progress.show(share); });
        write_audition(result, request);
    }
    if (options.json)
        print_json(audition_json(result, request.folder), Answer::about_files);
    else
        print(audition_text(result, request.folder), Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
