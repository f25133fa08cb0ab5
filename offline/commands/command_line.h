#pragma once
// The parser of the command line, for what runs it and what describes it.
#include "offline/util/errors.h"
#include <memory>

namespace CLI {
class App;
}

namespace kitfold::offline {

/// Every command with its options. When it parses a line it runs the command that is named there, and leaves
/// in `exit`, which outlives it, how the program is to end.
std::shared_ptr<CLI::App> command_line(Exit& exit);

/// Throws Error, bad_input, for what can't be read, in words of a person; prints what --help and --version
/// ask for.
void parse(CLI::App& app, int argc, char** argv);

} // namespace kitfold::offline
