// Words on the command line, one in a line of the input: parsed, or refused as a mistake. Nothing is run.
#include "offline/commands/command_line.h"
#include "fuzz/target.h"
#include <CLI/CLI.hpp>
#include <iostream>
#include <sstream>
#include <vector>

using namespace kitfold;
using namespace kitfold::test;

namespace {

struct Parsed {}; ///< before any command runs

} // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    static std::ostringstream unseen;
    static auto* const shown = std::cout.rdbuf(unseen.rdbuf()); // --help
    (void)shown;
    std::vector<std::string> words = {"kitfold"};
    std::istringstream lines(std::string(reinterpret_cast<const char*>(data), size));
    for (std::string line; words.size() < 64 && std::getline(lines, line);)
        words.push_back(line.substr(0, line.find('\0')));
    std::vector<char*> pointers;
    for (auto& word : words) pointers.push_back(word.data());
    auto exit = offline::Exit::done;
    const auto app = offline::command_line(exit);
    app->parse_complete_callback([] { throw Parsed(); });
    try {
        offline::parse(*app, static_cast<int>(pointers.size()), pointers.data());
    } catch (const offline::Error& error) {
        demand(error.code() == offline::Exit::bad_input, "a word is somebody's mistake");
        const std::string_view line = error.what();
        demand(!line.empty(), "a line says what is wrong");
    } catch (const Parsed&) {
    }
    unseen.str({});
    return 0;
}
