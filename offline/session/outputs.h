#pragma once
// The one guard before anything is written: no output is an input, another output, or a file that Kitfold did
// not write.
#include "offline/session/session.h"
#include "offline/util/seal.h"
#include <filesystem>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace kitfold::offline {

/// What one run reads and is going to write. Files are told apart by device and number, so through links of
/// both kinds; outputs that are not there yet by where links lead, and without regard to case, which some
/// disks ignore. Say first what is read. Nothing is written or made.
class Outputs {
public:
    /// A session and its recordings.
    void reads(const Session& session);

    /// A file to write, or to write again. Throws Error, bad_input: it is an input, an output named before,
    /// a link that leads nowhere, or there already and not an intact `product` of Kitfold's.
    void writes(const std::filesystem::path& output, Product product);

    /// A file that may not be there yet. Throws Error, bad_input.
    void creates(const std::filesystem::path& output);

private:
    struct File {
        std::optional<std::pair<unsigned long, unsigned long>> number; ///< device and inode, when it is there
        std::string place;                                             ///< whole path without links, folded
        std::string what;                                              ///< for people
    };
    static File look_at(const std::filesystem::path& path, std::string what);
    void refuse_clash(const std::filesystem::path& output, const File& file) const;
    std::vector<File> inputs_, outputs_;
};

} // namespace kitfold::offline
