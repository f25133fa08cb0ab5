#include "offline/commands/commands.h"
#include "offline/util/atomic_file.h"
#include <exception>
#include <fcntl.h>
#include <unistd.h>

namespace {

/// A file that is opened while a standard stream is closed would get its number, and what is said would go
/// into a recording. What takes the number instead can't be written either.
void keep_standard_numbers() noexcept {
    for (int fd = 0; fd <= STDERR_FILENO; ++fd)
        if (::fcntl(fd, F_GETFD) < 0) (void)::open("/dev/null", O_RDONLY); // the lowest free number
}

} // namespace

int main(int argc, char** argv) {
    using namespace kitfold::offline;
    keep_standard_numbers();
    remove_unfinished_files_when_interrupted();
    try {
        return static_cast<int>(run_command_line(argc, argv));
    } catch (const std::exception& error) {
        return report(error);
    }
}
