#include "offline/bounce/bounce.h"
#include "offline/bounce/recall_sheet.h"
#include "offline/commands/command.h"
#include "offline/util/progress.h"
#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

struct Options {
    std::string session, output, stems;
    int rate_hz = 0;
    bool json = false;
};

void run(const Options& options) {
    BounceRequest request{
        .session = load_session(options.session), .output = options.output, .stems = {}, .rate_hz = {}};
    if (!options.stems.empty()) request.stems = options.stems;
    if (options.rate_hz != 0) request.rate_hz = options.rate_hz;
    BounceFigures figures;
    {
        Progress progress("bounce");
        figures = bounce(request, [&](double share) { progress.show(share); });
    }
    if (options.json)
        print_json(bounce_json(request, figures));
    else
        print(bounce_text(request, figures));
}

} // namespace

void add_bounce(CLI::App& app, Context&) {
    const auto options = std::make_shared<Options>();
    CLI::App* command = app.add_subcommand("bounce", "Mix a session to a stereo file");
    command->add_option("SESSION", options->session, "A session.json, or the folder that holds one")
        ->required();
    command->add_option("-o,--output", options->output, "The stereo file to write: .wav or .flac")
        ->required();
    command->add_option("--stems", options->stems, "Also write each mic after its strip into this folder");
    command->add_option("--rate", options->rate_hz, "Convert files of another rate to this one, in Hz")
        ->check(CLI::Range(8'000, 384'000));
    add_json_flag(*command, options->json);
    command->callback([options] { run(*options); });
}

} // namespace kitfold::offline
