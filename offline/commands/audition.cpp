#include "offline/audition/audition.h"
#include "offline/commands/command.h"
#include "offline/util/errors.h"
#include "offline/util/progress.h"
#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

struct Options {
    std::string session, open, deadened, role, folder;
    double amount = 1.0;
    bool json = false;
};

AuditionRequest request_of(const Options& o) {
    if (o.session.empty() == o.open.empty() || o.open.empty() != o.deadened.empty())
        throw bad_input("audition takes either a SESSION, or --open TAKE and --deadened TAKE");
    const auto role = dsp::role_from_token(o.role);
    if (!role)
        throw bad_input("--role " + o.role + ": is not a role; snare_top, kick_in or floor_tom would be one");
    AuditionRequest request;
    request.open = load_session(o.session.empty() ? o.open : o.session);
    if (!o.deadened.empty()) request.deadened = load_session(o.deadened);
    request.role = *role, request.amount = o.amount, request.folder = o.folder;
    return request;
}

void run(const Options& options) {
    const auto request = request_of(options);
    AuditionResult result;
    {
        Progress progress("audition");
        result = audition(request, [&](double share) { progress.show(share); });
        write_audition(result, request);
    }
    if (options.json)
        print_json(audition_json(result, request.folder));
    else
        print(audition_text(result, request.folder));
}

} // namespace

void add_audition(CLI::App& app, Context&) {
    const auto options = std::make_shared<Options>();
    CLI::App* command = app.add_subcommand("audition", "Hear a drum open and deadened at the same loudness");
    command->add_option("SESSION", options->session, "A session.json, or the folder that holds one");
    command->add_option("--open", options->open, "Instead: a take of the drum as it is");
    command->add_option("--deadened", options->deadened, "... and one of it really deadened");
    command->add_option("--role", options->role, "The close mic to listen to, such as snare_top")->required();
    auto* amount = command->add_option("--amount", options->amount,
                                       "How far: 1 deadened, 0 as recorded, below 0 opened up");
    amount->check(CLI::Range(-1.0, 1.0));
    command->add_option("-o,--output", options->folder, "Folder for four WAVs and the page to compare them")
        ->required();
    command->footer("Examples:\n  kitfold audition takes/monday --role floor_tom -o hear\n"
                    "  kitfold audition --open takes/open --deadened takes/felt --role snare_top -o hear");
    add_json_flag(*command, options->json);
    command->callback([options] { run(*options); });
}

} // namespace kitfold::offline
