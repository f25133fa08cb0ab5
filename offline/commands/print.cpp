#include "offline/commands/print.h"
#include "offline/util/errors.h"
#include "offline/util/printable.h"
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

void put(const std::string& text, Answer answer) {
    std::fwrite(text.data(), 1, text.size(), stdout);
    finish_printing(answer);
}

} // namespace

void print(const std::string& text, Answer answer) { put(printable(text, Lines::many), answer); }

void print(const std::string& text, Answer answer,
           const std::function<std::string(const std::string&)>& dress) {
    put(dress(printable(text, Lines::many)), answer);
}

void print_json(const dsp::Json& json, Answer answer) { put(json_lines(json, 2) + "\n", answer); }

void finish_printing(Answer answer) {
    if (std::fflush(stdout) == 0 && std::ferror(stdout) == 0) return;
    const std::string why = std::string("can't write to standard output: ") + std::strerror(errno);
    if (answer == Answer::itself) throw io_failed(why);
    std::fprintf(stderr, "kitfold: %s; the files are written all the same\n", why.c_str());
    std::clearerr(stdout);
}

} // namespace kitfold::offline
