#include "offline/util/text_file.h"
#include "offline/util/errors.h"
#include "offline/util/input_file.h"
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <memory>

namespace kitfold::offline {

std::string read_text_file(const std::filesystem::path& path, std::size_t max_bytes) {
    const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file(
        ::fdopen(open_input(path, "a text file"), "rb"), std::fclose);
    if (!file) throw io_failed(path.string() + ": can't be read: " + std::strerror(errno));
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
