#include "offline/commands/commands.h"
#include "offline/util/atomic_file.h"
#include <exception>

int main(int argc, char** argv) {
    using namespace kitfold::offline;
    remove_unfinished_files_when_interrupted();
    try {
        return static_cast<int>(run_command_line(argc, argv));
    } catch (const std::exception& error) {
        return report(error);
    }
}
