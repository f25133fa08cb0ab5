#include "offline/util/input_file.h"
#include "offline/util/errors.h"
#include <cerrno>
#include <cstring>
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

namespace kitfold::offline {

int open_input(const std::filesystem::path& path, std::string_view what) {
    const auto name = path.string();
    const int fd = ::open(path.c_str(), O_RDONLY | O_NONBLOCK | O_CLOEXEC | O_NOCTTY);
    if (fd < 0 && (errno == ENOENT || errno == ENOTDIR)) throw bad_input(name + ": no such file");
    if (fd < 0 && errno == ELOOP)
        throw bad_input(fmt::format("{}: is a link that leads round in a circle; name {}", name, what));
    if (fd < 0 && errno == ENAMETOOLONG) throw bad_input(name + ": is a longer name than a file can have");
    if (fd < 0 && errno == ENXIO) // a socket
        throw bad_input(fmt::format("{}: is not a file; name {}", name, what));
    if (fd < 0) throw io_failed(fmt::format("{}: can't be opened: {}", name, std::strerror(errno)));
    struct stat status {};
    if (::fstat(fd, &status) == 0 && S_ISREG(status.st_mode)) return fd;
    ::close(fd);
    throw bad_input(fmt::format("{}: is {}; name {}", name,
                                S_ISDIR(status.st_mode) ? "a folder, not a file" : "not a file", what));
}

} // namespace kitfold::offline
