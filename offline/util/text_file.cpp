#include "offline/util/text_file.h"
#include "offline/util/errors.h"
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <memory>

namespace kitfold::offline {

std::string read_text_file(const std::filesystem::path& path, std::size_t max_bytes) {
    std::error_code ignored;
    if (std::filesystem::is_directory(path, ignored))
        throw bad_input(path.string() + " is a folder, not a file");
    const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file(std::fopen(path.c_str(), "rb"), std::fclose);
    if (!file) {
        if (errno == ENOENT || errno == ENOTDIR) throw bad_input(path.string() + ": no such file");
        throw io_failed(path.string() + ": can't be read: " + std::strerror(errno));
    }
    std::string text;
    char part[64 * 1024];
    while (const auto got = std::fread(part, 1, sizeof part, file.get())) {
        text.append(part, got);
        if (text.size() > max_bytes)
            throw bad_input(path.string() + ": longer than " + std::to_string(max_bytes >> 20) +
                            " MiB, which no file of this kind is");
    }
    if (std::ferror(file.get()) != 0)
        throw io_failed(path.string() + ": can't be read: " + std::strerror(errno));
    return text;
}

} // namespace kitfold::offline
