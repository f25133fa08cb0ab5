#include "offline/commands/command.h"
#include "offline/session/new_session.h"
#include "offline/session/outputs.h"
#include "offline/session/roles.h"
#include "offline/util/progress.h"
#include <CLI/CLI.hpp>
#include <algorithm>
#include <fmt/format.h>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

struct Options {
    bool json = false;
    std::string folder;
};

dsp::Json as_json(const NewSession& made) {
    dsp::Json out = {{"kitfold_new", 1},
                     {"session", made.session.path.string()},
                     {"kit", made.kit},
                     {"mics", dsp::Json::array()},
                     {"notices", made.notices}};
    for (std::size_t i = 0; i < made.session.mics.size(); ++i) {
        const auto& mic = made.session.mics[i];
        out["mics"].push_back({{"name", mic.name},
                               {"role", std::string(dsp::token(mic.role))},
                               {"file", mic.file.string()},
                               {"channel", mic.channel},
                               {"mute", mic.mix.mute != 0.0},
                               {"note", made.mic_notes[i]}});
    }
    return out;
}

void print_for_people(const NewSession& made, const std::string& folder) {
    std::size_t width = 0;
    for (const auto& mic : made.session.mics) width = std::max(width, mic.file.string().size());
    print(fmt::format("{} mics, {} Hz, {}:{:02}\n", made.session.mics.size(), made.rate_hz,
                      static_cast<int>(made.seconds) / 60, static_cast<int>(made.seconds) % 60));
    for (std::size_t i = 0; i < made.session.mics.size(); ++i) {
        const auto& mic = made.session.mics[i];
        const auto& note = made.mic_notes[i];
        const auto line = fmt::format("  {:<{}}  channel {}  {:<14}", mic.file.string(), width, mic.channel,
                                      dsp::token(mic.role));
        print(note.empty() ? line.substr(0, line.find_last_not_of(' ') + 1) + "\n"
                           : line + "  (" + note + ")\n");
    }
    for (const auto& notice : made.notices) print("notice: " + notice + "\n");
    print(fmt::format("Settings start from {} (kitfold presets show {}): left and right as the drummer sits, "
                      "gate thresholds by each mic's peak.\n",
                      made.kit, made.kit));
    print(fmt::format(
        "Wrote {}. Correct a role there if a guess is wrong, then: kitfold bounce {} -o drums.wav\n",
        made.session.path.string(), folder));
}

void run(const Options& options) {
    const fs::path file = fs::path(options.folder) / "session.json";
    Outputs().creates(file);
    const auto made = [&] {
        Progress progress("new");
        return propose_session(options.folder, load_presets(presets_folder()),
                               [&](double share) { progress.show(share); });
    }();
    save_session(made.session, file);
    if (options.json)
        print_json(as_json(made));
    else
        print_for_people(made, options.folder);
}

} // namespace

void add_new(CLI::App& app, Context&) {
    auto options = std::make_shared<Options>();
    auto* command =
        app.add_subcommand("new", "Make a session.json for a folder of recordings, one file per mic");
    command->add_option("DIR", options->folder, "Folder of WAV, AIFF or FLAC files")->required();
    add_json_flag(*command, options->json);
    command->footer("Roles are guessed from the file names (\"KIK IN\", \"SN top\", \"RT1\", \"OH L\" …) and "
                    "each guess is shown.\n"
                    "The audio is only read; a session.json that is there is never overwritten.\n"
                    "Example:\n  kitfold new takes/monday");
    command->callback([options] { run(*options); });
}

} // namespace kitfold::offline
