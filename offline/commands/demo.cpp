#include "offline/demo/demo.h"
#include "offline/commands/command.h"
#include "offline/util/progress.h"
#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

namespace {

struct Options {
    DemoRequest request;
    std::string tone = "open";
    bool json = false;
};

void run(const Options& options) {
    const auto& request = options.request;
    DemoSummary summary;
    {
        Progress progress("demo");
        summary = write_demo(request, [&](double share) { progress.show(share); });
    }
    if (options.json) {
        dsp::Json out{
            {"kitfold_demo", 1}, {"folder", request.folder.string()}, {"files", dsp::Json::array()}};
        for (const auto& file : summary.files) out["files"].push_back(file.filename().string());
        out["hits"] = summary.hits;
        if (summary.backup) out["backup"] = summary.backup->string();
        return print_json(out);
    }
    print(fmt::format("{}: {} mics, {:g} s at {:g} Hz, {} drums, {} hits.\n", request.folder.string(),
                      request.kit.mics, request.kit.seconds, request.kit.rate_hz,
                      request.kit.tone == dsp::Tone::open ? "open" : "deadened", summary.hits));
    if (summary.backup) print("The session that was there is kept as " + summary.backup->string() + ".\n");
    print("session.json has settings to start from, truth.json what was really played and heard.\n"
          "Next: kitfold check " +
          request.folder.string() + "\n");
}

} // namespace

void add_demo(CLI::App& app, Context&) {
    auto options = std::make_shared<Options>();
    auto& kit = options->request.kit;
    kit.lifelike = kit.turned_cable = true; // no easier than life, and with something to find
    kit.seed = 2;
    auto* demo =
        app.add_subcommand("demo", "Make an invented multi-mic recording of a drum kit to try everything on");
    demo->footer("Example:\n  kitfold demo takes/demo\n  kitfold check takes/demo\n"
                 "The same seed gives the same recording; --tone deadened plays it again on damped drums.");
    demo->add_option("DIR", options->request.folder, "Folder for the recording; made when it is not there")
        ->required();
    demo->add_option("--tone", options->tone, "open: drums as they came; deadened: blankets on them")
        ->check(CLI::IsMember({"open", "deadened"}))
        ->capture_default_str();
    demo->add_option("--mics", kit.mics, "8 or 10; eight leave out hi-hat and room")
        ->check(CLI::IsMember({8, 10}))
        ->capture_default_str();
    demo->add_option("--seconds", kit.seconds, "Length, 0.2 to 3600")
        ->check(CLI::Range(0.2, 3600.0))
        ->capture_default_str();
    demo->add_option("--rate", kit.rate_hz, "Sample rate in Hz: 44100, 48000, 88200, 96000 …, 8000 to 192000")
        ->check(CLI::Range(8'000, 192'000))
        ->capture_default_str();
    demo->add_option("--seed", kit.seed, "Another number, another take and another set-up of the kit")
        ->check(CLI::NonNegativeNumber)
        ->capture_default_str();
    add_json_flag(*demo, options->json);
    demo->callback([options] {
        options->request.kit.tone = options->tone == "open" ? dsp::Tone::open : dsp::Tone::deadened;
        run(*options);
    });
}

} // namespace kitfold::offline
