#include "offline/errors.h"
#include <cstdio>
#include <new>

namespace kitfold::offline {

int report(const std::exception& error) noexcept {
    std::fprintf(stderr, "kitfold: %s\n", error.what());
    if (const auto* ours = dynamic_cast<const Error*>(&error)) return static_cast<int>(ours->code());
    return static_cast<int>(dynamic_cast<const std::bad_alloc*>(&error) != nullptr ? Exit::io_failed
                                                                                   : Exit::bad_input);
}

} // namespace kitfold::offline
