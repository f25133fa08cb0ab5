#pragma once
// What a shell and `man` know of the program, made of the same texts as --help.
#include <filesystem>
#include <string>
#include <vector>

namespace CLI {
class App;
}

namespace kitfold::offline {

struct ManualFile {
    std::filesystem::path name; ///< below PREFIX/share: "man/man1/kitfold-check.1"
    std::string text;
};

/// A man page for the program and one for each command; completions for bash, zsh and fish.
std::vector<ManualFile> manual(const CLI::App& program);

} // namespace kitfold::offline
