#include "offline/commands/command.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <CLI/CLI.hpp>
#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <cstring>

namespace {

using namespace kitfold::offline;

std::string names(const std::vector<const CLI::App*>& commands) {
    std::string out;
    for (const auto* command : commands) out += (out.empty() ? "" : ", ") + command->get_name();
    return out;
}

/// What the parser has to say, in one line and in the words of a person.
Error usage_error(const CLI::App& app, int argc, char** argv, const CLI::ParseError& error) {
    const auto commands = app.get_subcommands([](const CLI::App*) { return true; });
    if (argc < 2)
        return bad_input("give a command: " + names(commands) + "; kitfold --help says what each does");
    const std::string first = argv[1];
    const bool known = std::any_of(commands.begin(), commands.end(),
                                   [&](const CLI::App* command) { return command->get_name() == first; });
    if (!known && !first.starts_with('-'))
        return bad_input("\"" + first + "\" is not a command; the commands are " + names(commands));
    if (!known) return bad_input("\"" + first + "\" is not an option; kitfold --help shows how it is used");
    return bad_input(std::string(error.what()) + "; kitfold " + first + " --help shows how it is used");
}

int run(int argc, char** argv) {
    CLI::App app{"Kitfold folds the microphones of a drum kit down to two tracks.", "kitfold"};
    app.set_version_flag("--version", "kitfold " KITFOLD_VERSION);
    app.require_subcommand(1);
    app.footer("Example, from a folder of WAV files to a stereo submix:\n"
               "  kitfold new takes/monday\n"
               "  kitfold bounce takes/monday -o drums.wav\n"
               "kitfold COMMAND --help says more about each command.");
    Context context;
    add_demo(app, context);
    add_new(app, context);
    add_check(app, context);
    add_bounce(app, context);
    add_audition(app, context);
    add_presets(app, context);
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& asked) { // --help, --version
        app.exit(asked);
    } catch (const CLI::ParseError& error) {
        throw usage_error(app, argc, argv, error);
    }
    if (std::fflush(stdout) != 0 || std::ferror(stdout) != 0)
        throw io_failed(std::string("can't write to standard output: ") + std::strerror(errno));
    return context.exit_code;
}

} // namespace

int main(int argc, char** argv) {
    remove_unfinished_files_when_interrupted();
    try {
        return run(argc, argv);
    } catch (const std::exception& error) {
        return report(error);
    }
}
