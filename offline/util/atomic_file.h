#pragma once
// A file that is there whole or not at all: written beside its final name and renamed when complete.
#include <cstdint>
#include <filesystem>
#include <string_view>

namespace kitfold::offline {

/// What a whole file is to survive once it has its name.
enum class Survives {
    power_cut, ///< waits for the disk first
    our_end    ///< the end of the program, however it comes; for what can be made again
};

/// A new file in the folder of its final name. Until commit() the final name is untouched; without commit()
/// the new file is removed, by the destructor or, when the program is interrupted, by the handler of
/// remove_unfinished_files_when_interrupted(). A symbolic link is followed: the file it points to is
/// replaced. One thread at a time; many AtomicFiles may be open at once (256).
class AtomicFile {
public:
    /// Throws Error, bad_input: `path` is a folder or a device; io_failed: no such folder, not writable.
    explicit AtomicFile(const std::filesystem::path& path);
    ~AtomicFile();
    AtomicFile(const AtomicFile&) = delete;
    AtomicFile& operator=(const AtomicFile&) = delete;

    [[nodiscard]] const std::filesystem::path& path() const noexcept { return final_; }
    /// Open for reading and writing, at the beginning; stays ours.
    [[nodiscard]] int descriptor() const noexcept { return descriptor_; }
    /// Where it is until commit(), for a library that opens files by name.
    [[nodiscard]] const std::filesystem::path& unfinished_path() const noexcept { return unfinished_; }

    /// Takes room on the disk for so many bytes from the start; the file grows no longer by it. Throws
    /// io_failed when there is not so much. Does nothing where the file system can't tell.
    void reserve(std::int64_t bytes);

    /// Appends at the descriptor's place. Throws io_failed (disk full …).
    void write(std::string_view bytes);

    /// Gives the file its name. Throws io_failed; the final name is then as it was.
    void commit(Survives survives = Survives::power_cut);

private:
    void remove() noexcept;
    std::filesystem::path final_, unfinished_;
    int descriptor_ = -1;
    std::size_t slot_ = 0;
};

/// Writes the whole text under that name, or throws as AtomicFile does.
void write_whole_file(const std::filesystem::path& path, std::string_view bytes);

/// On SIGINT, SIGTERM, SIGHUP and SIGPIPE removes every unfinished file, then ends the program by that signal
/// as if nobody had caught it. A file-size limit (SIGXFSZ) becomes an error of the write. Call once, at the
/// start.
void remove_unfinished_files_when_interrupted() noexcept;

} // namespace kitfold::offline
