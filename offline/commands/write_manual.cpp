// A program of the build: writes man pages and completions into a folder.
#include "offline/commands/command_line.h"
#include "offline/commands/manual.h"
#include "offline/util/atomic_file.h"

int main(int argc, char** argv) {
    using namespace kitfold::offline;
    try {
        if (argc != 2) throw bad_input("give the folder to write into");
        auto exit = Exit::done;
        for (const auto& file : manual(*command_line(exit))) {
            const auto path = std::filesystem::path(argv[1]) / file.name;
            std::filesystem::create_directories(path.parent_path());
            write_whole_file(path, file.text);
        }
        return 0;
    } catch (const std::exception& error) {
        return report(error);
    }
}
