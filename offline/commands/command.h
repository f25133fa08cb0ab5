#pragma once
// The commands of the program. Each lives in a file of its own, which adds its options to the parser and
// runs when the parser has chosen it. A command throws Error when something is wrong.
#include "settings/settings_json.h"
#include <string>

namespace CLI {
class App;
}

namespace kitfold::offline {

struct Context {
    int exit_code = 0; ///< a command that ends well but has something to say (`check`: 1) sets it
};

void add_demo(CLI::App& app, Context& context);
void add_new(CLI::App& app, Context& context);
void add_presets(CLI::App& app, Context& context);
void add_bounce(CLI::App& app, Context& context);
void add_check(CLI::App& app, Context& context);
void add_audition(CLI::App& app, Context& context);

/// Adds --json to a command: one machine-readable object on stdout and nothing else.
void add_json_flag(CLI::App& command, bool& json);

/// Text and JSON on stdout. main() reports when it could not be written.
void print(const std::string& text);
void print_json(const dsp::Json& json);

} // namespace kitfold::offline
