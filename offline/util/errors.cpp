#include "offline/util/errors.h"
#include <cstdio>
#include <filesystem>
#include <new>

namespace kitfold::offline {
namespace {

Exit code_for(const std::exception& error) noexcept {
    if (const auto* ours = dynamic_cast<const Error*>(&error)) return ours->code();
    if (dynamic_cast<const std::bad_alloc*>(&error) != nullptr) return Exit::io_failed;
    if (dynamic_cast<const std::filesystem::filesystem_error*>(&error) != nullptr) return Exit::io_failed;
    return Exit::bad_input;
}

} // namespace

int report(const std::exception& error) noexcept {
    std::fputs("kitfold: ", stderr);
    for (const char* c = error.what(); *c != '\0';
         ++c) // a file name may hold anything: one line, no escape codes
        std::fputc(static_cast<unsigned char>(*c) < 0x20 || *c == 0x7f ? '?' : *c, stderr);
    std::fputc('\n', stderr);
    return static_cast<int>(code_for(error));
}

} // namespace kitfold::offline
