// Man pages, completions and --help know the same options.
#include "files.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <regex>
#include <set>
#include <sstream>

using namespace kitfold::test;

namespace {

using Words = std::set<std::string>;
const std::filesystem::path kShare = KITFOLD_SHARE;
const std::vector<std::string> kCommands = {"demo",   "new",      "check", "balance",
                                            "bounce", "audition", "live",  "presets"};

/// Everything in the text that looks like an option at the beginning of a line or after a comma.
Words options_in_help(const std::string& text) {
    Words out;
    const std::regex entry("(?:^|\n)  (-[^ \n]*)");
    const std::regex name("--?[a-z][a-z-]*");
    for (std::sregex_iterator line(text.begin(), text.end(), entry), end; line != end; ++line) {
        const auto names = (*line)[1].str();
        for (std::sregex_iterator n(names.begin(), names.end(), name); n != end; ++n) out.insert(n->str());
    }
    return out;
}

/// Those that a man page describes: bold words at the beginning of an entry.
Words options_in_page(std::string text) {
    text = std::regex_replace(text, std::regex(R"(\\-)"), "-");
    Words out;
    const std::regex entry("\\.TP\n([^\n]*)");
    const std::regex name(R"(\\fB(--?[a-z][a-z-]*)\\fR)");
    for (std::sregex_iterator line(text.begin(), text.end(), entry), end; line != end; ++line) {
        const auto names = (*line)[1].str();
        for (std::sregex_iterator n(names.begin(), names.end(), name); n != end; ++n)
            out.insert((*n)[1].str());
    }
    return out;
}

/// What bash offers after these words for one that has begun so.
Words offered(const std::string& words, const std::string& begun = {}) {
    const auto file = kShare / "bash-completion/completions/kitfold";
    const auto run = run_in_shell(
        "exec bash -c 'source \"$1\"; COMP_WORDS=(kitfold $2 \"$3\"); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); "
        "_kitfold; printf \"%s\\n\" \"${COMPREPLY[@]}\"' bash '" +
            file.string() + "' '" + words + "' '" + begun + "'",
        {});
    CHECK(run.err.empty());
    Words out;
    std::istringstream lines(run.out);
    for (std::string line; std::getline(lines, line);)
        if (!line.empty()) out.insert(line);
    return out;
}

} // namespace

TEST_CASE("man pages have the options of --help", "[manual]") {
    CHECK(options_in_page(bytes_of_file(kShare / "man/man1/kitfold.1")) ==
          options_in_help(run_program({"--help"}).out));
    for (const auto& command : kCommands) {
        INFO(command);
        const auto page = bytes_of_file(kShare / "man/man1" / ("kitfold-" + command + ".1"));
        const auto help = options_in_help(run_program({command, "--help"}).out);
        CHECK(help.size() >= 3);
        CHECK(options_in_page(page) == help);
        CHECK(page.find(KITFOLD_VERSION) != std::string::npos);
    }
}

TEST_CASE("every command has its page and is completed", "[manual]") {
    auto first = offered("");
    CHECK((first.erase("--help") == 1 && first.erase("-h") == 1 && first.erase("--version") == 1));
    CHECK(first == Words(kCommands.begin(), kCommands.end()));
    const auto help = run_program({"--help"}).out;
    for (const auto& command : kCommands) CHECK(help.find("\n  " + command + " ") != std::string::npos);
}

TEST_CASE("completions have the options of --help, and the words of a choice", "[manual]") {
    const auto fish = bytes_of_file(kShare / "fish/vendor_completions.d/kitfold.fish");
    const auto zsh = bytes_of_file(kShare / "zsh/site-functions/_kitfold");
    for (const auto& command : kCommands) {
        INFO(command);
        CHECK(offered(command) == (command == "presets" ? Words{"list", "show", "parameters"} : Words{}));
        const auto help = options_in_help(run_program({command, "--help"}).out);
        CHECK(offered(command, "-") == help);
        for (const auto& option : help) {
            CHECK(zsh.find("'" + option + "[") != std::string::npos);
            if (option.starts_with("--"))
                CHECK(fish.find(" -l " + option.substr(2) + " ") != std::string::npos);
        }
    }
    CHECK(offered("demo --tone") == Words{"open", "deadened"});
    CHECK(offered("live --monitor") == Words{"wet", "dry"});
    CHECK(offered("check --report").empty()); // files
}
