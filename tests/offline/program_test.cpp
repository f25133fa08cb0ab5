#include "offline/run_program.h"
#include <catch2/catch.hpp>

using namespace kitfold::test;
using Catch::Contains;

TEST_CASE("help and version are for people and end well", "[program]") {
    for (const std::vector<std::string>& arguments : {std::vector<std::string>{"--help"},
                                                      {"-h"},
                                                      {"new", "--help"},
                                                      {"presets", "--help"},
                                                      {"presets", "show", "--help"}}) {
        const auto run = run_program(arguments);
        INFO(arguments[0]);
        CHECK(run.exit_code == 0);
        CHECK(run.err.empty());
        CHECK_THAT(run.out, Contains("Usage: kitfold"));
    }
    CHECK_THAT(run_program({"--help"}).out, Contains("kitfold bounce takes/monday -o drums.wav"));
    // the instruction set: those that the sound is compiled for (dsp/CMakeLists.txt)
    CHECK_THAT(
        run_program({"--version"}).out,
        Catch::Matches("kitfold " KITFOLD_VERSION
                       R"( \((build [0-9a-f]+, )?[A-Za-z]+ [0-9.]+, (AVX-512|AVX2|SSE2|no SIMD)\)\n)"));
}

TEST_CASE("usage errors end with code 2 and one line", "[program]") {
    const std::vector<std::pair<std::vector<std::string>, std::string>> table = {
        {{}, "give a command: "},
        {{"mixdown"}, "\"mixdown\" is not a command; the commands are "},
        {{"bounse"}, "\"bounse\" is not a command; did you mean bounce?"},
        {{"--versio"}, "\"--versio\" is not an option"},
        {{"new", "--jsn", "."}, "--jsn; kitfold new --help"},
        {{"presets", "show"}, "NAME is required; kitfold presets --help"},
        {{"a\nb"}, "\"a?b\" is not a command"},
        {{""}, "\"\" is not a command"},
    };
    for (const auto& [arguments, expected] : table) {
        const auto run = run_program(arguments);
        INFO(expected);
        CHECK(run.exit_code == 2);
        CHECK(run.out.empty());
        CHECK(run.err_lines() == 1);
        CHECK_THAT(run.err, Catch::StartsWith("kitfold: ") && Contains(expected));
    }
}
