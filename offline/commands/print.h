#pragma once
// What a command has to say, on stdout. run_command_line() throws when it could not be written.
#include "settings/settings_json.h"
#include <string>

namespace kitfold::offline {

void print(const std::string& text);
void print_json(const dsp::Json& json); ///< one object; with --json a command prints nothing else

} // namespace kitfold::offline
