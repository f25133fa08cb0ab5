#include "offline/util/ink.h"
#include <cstdlib>
#include <unistd.h>

namespace kitfold::offline {

Ink Ink::for_stdout() {
    const char* refused = std::getenv("NO_COLOR");
    const char* terminal = std::getenv("TERM");
    Ink ink;
    ink.on_ = ::isatty(STDOUT_FILENO) == 1 && (refused == nullptr || *refused == '\0') &&
              terminal != nullptr && std::string_view(terminal) != "dumb";
    return ink;
}

std::string Ink::dressed(std::string_view code, std::string_view words) const {
    if (!on_ || words.empty()) return std::string(words);
    return "\033[" + std::string(code) + "m" + std::string(words) + "\033[0m";
}

} // namespace kitfold::offline
