#pragma once
// A file that is there whole or not at all: written beside its final name and renamed when complete.
#include <cstdint>
#include <filesystem>
#include <string_view>
#include <vector>

namespace kitfold::offline {

/// What a whole file is to survive once it has its name.
enum class Survives {
    power_cut, ///< waits for the disk first
    our_end    ///< the end of the program, however it comes; for what can be made again
};

/// A new file in the folder of its final name. Until commit() the final name is untouched; without commit()
/// the new file is removed, by the destructor or, when the program is interrupted, by the handler of
/// remove_unfinished_files_when_interrupted(); after a kill or a power cut by the next AtomicFile in the same
/// folder, unless a program still holds it. A symbolic link is followed: the file it points to is replaced,
/// or made. What replaces a file may be read and written by whom that file might (its mode). One thread at a
/// time; many AtomicFiles may be open at once (256).
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

    /// The permissions of another file, and its owner where we may.
    void take_mode_of(const std::filesystem::path& other) const noexcept;

    /// Appends at the descriptor's place. Throws io_failed (disk full …).
    void write(std::string_view bytes);

    /// Gives the file its name. Throws io_failed; the final name is then as it was.
    void commit(Survives survives = Survives::power_cut);

private:
    void take_mode(unsigned mode, unsigned user, unsigned group) const noexcept;
    void remove() noexcept;
    std::filesystem::path final_, unfinished_;
    int descriptor_ = -1;
    std::size_t slot_ = 0;
};

/// Writes the whole text under that name, or throws as AtomicFile does.
void write_whole_file(const std::filesystem::path& path, std::string_view bytes);
/// The same, with the mode of another file.
void write_whole_file(const std::filesystem::path& path, std::string_view bytes,
                      const std::filesystem::path& mode_of);

/// A folder for what is going to be written: made, with those above it, where it is not there, and gone again
/// with all of them that are empty, by the destructor without keep() or when the program is interrupted.
class MadeFolder {
public:
    /// Throws io_failed.
    explicit MadeFolder(const std::filesystem::path& path);
    ~MadeFolder();
    MadeFolder(const MadeFolder&) = delete;
    MadeFolder& operator=(const MadeFolder&) = delete;
    void keep() noexcept;

private:
    void remove() noexcept;
    struct Made {
        std::filesystem::path path;
        std::size_t slot;
    };
    std::vector<Made> made_; ///< the uppermost first
};

/// On SIGINT, SIGTERM, SIGHUP and SIGPIPE removes every unfinished file and the folders made for them, then
/// ends the program by that signal as if nobody had caught it. A file-size limit (SIGXFSZ) becomes an error
/// of the write. Call once, at the start.
void remove_unfinished_files_when_interrupted() noexcept;

} // namespace kitfold::offline
