#include "offline/session/outputs.h"
#include "offline/util/errors.h"
#include "offline/util/file_name.h"
#include <algorithm>
#include <fmt/format.h>
#include <sys/stat.h>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

} // namespace

Outputs::File Outputs::look_at(const fs::path& path, std::string what) {
    File file{{}, {}, std::move(what)};
    struct stat status {};
    if (::stat(path.c_str(), &status) == 0) file.number.emplace(status.st_dev, status.st_ino);
    std::error_code ignored;
    auto place = fs::weakly_canonical(fs::absolute(path, ignored), ignored);
    file.place = folded((place.empty() ? path : place).string());
    return file;
}

void Outputs::reads(const Session& session) {
    inputs_.push_back(look_at(session.path, "the session itself"));
    for (const auto& mic : session.mics) {
        const auto path = audio_path(session, mic);
        inputs_.push_back(look_at(path, "the recording " + path.string() + " itself"));
    }
}

void Outputs::refuse_clash(const fs::path& output, const File& file) const {
    const auto is_same = [&](const File& other) { return file.number && file.number == other.number; };
    const auto clash = [&](const File& other) { return is_same(other) || file.place == other.place; };
    if (const auto in = std::find_if(inputs_.begin(), inputs_.end(), is_same); in != inputs_.end())
        throw bad_input(fmt::format("{}: is {}; name another file to write", output.string(), in->what));
    if (const auto out = std::find_if(outputs_.begin(), outputs_.end(), clash); out != outputs_.end())
        throw bad_input(fmt::format("{}: the {} is to be written there as well; name another file to write",
                                    output.string(), out->what));
}

void Outputs::writes(const fs::path& output, Product product) {
    auto file = look_at(output, words(product));
    refuse_clash(output, file);
    std::error_code ignored;
    if (!file.number && fs::is_symlink(output, ignored))
        throw bad_input(output.string() + ": is a link that leads nowhere; name another file to write");
    if (fs::is_regular_file(output, ignored) && !is_intact(output, product))
        throw bad_input(
            fmt::format("{}: is there already, and is no {} that Kitfold wrote, or was changed since; "
                        "move it away, or choose another name or another folder",
                        output.string(), file.what));
    outputs_.push_back(std::move(file));
}

void Outputs::creates(const fs::path& output) {
    auto file = look_at(output, output.filename().string());
    refuse_clash(output, file);
    std::error_code ignored;
    if (fs::exists(fs::symlink_status(output, ignored)))
        throw bad_input(output.string() + " is there already; move it away to make a new one");
    outputs_.push_back(std::move(file));
}

} // namespace kitfold::offline
