#include "offline/commands/print.h"
#include <cstdio>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

void print(const std::string& text) { std::fwrite(text.data(), 1, text.size(), stdout); }

void print_json(const dsp::Json& json) {
    // a file name that is not UTF-8 must not cost the caller the rest of the object
    print(json.dump(2, ' ', false, dsp::Json::error_handler_t::replace) + "\n");
}

} // namespace kitfold::offline
