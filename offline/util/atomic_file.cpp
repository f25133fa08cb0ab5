#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <array>
#include <atomic>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <deque>
#include <fcntl.h>
#include <fmt/format.h>
#include <mutex>
#include <set>
#include <string>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

// What the signal handler removes. The texts are never freed, so that the handler may read one while another
// thread lets go of it.
template <std::size_t count> using Names = std::array<std::atomic<const char*>, count>;
Names<256> unfinished_files{};
Names<64> made_folders{}; ///< a folder comes after the one that it is in
static_assert(std::atomic<const char*>::is_always_lock_free, "the signal handler reads these");

template <std::size_t count> std::size_t remember(Names<count>& names, const fs::path& path) {
    static std::mutex mutex;
    static std::deque<std::string> texts;
    const std::lock_guard lock(mutex);
    for (std::size_t i = 0; i < names.size(); ++i)
        if (names[i].load() == nullptr) {
            names[i].store(texts.emplace_back(path.string()).c_str());
            return i;
        }
    throw io_failed(path.string() + ": too many files are being written at once");
}

extern "C" void interrupted(int number) {
    for (const auto& file : unfinished_files)
        if (const char* path = file.load()) ::unlink(path);
    for (auto folder = made_folders.rbegin(); folder != made_folders.rend(); ++folder)
        if (const char* path = folder->load()) ::rmdir(path); // only if empty
    std::signal(number, SIG_DFL);
    std::raise(number); // delivered when the handler returns
}

[[noreturn]] void fail(const fs::path& path, const std::string& what, int number) {
    throw io_failed(path.string() + ": " + what + ": " + std::strerror(number));
}

/// Where a link leads in the end, whether anything is there or not.
fs::path resolved(fs::path path) {
    constexpr int kMostLinks = 40; // as Linux itself
    std::error_code error;
    for (int links = 0; fs::is_symlink(path, error); ++links) {
        if (links == kMostLinks)
            throw bad_input(path.string() + ": is a link that leads round in a circle; name a file to write");
        path = path.parent_path() / fs::read_symlink(path, error);
    }
    return path;
}

constexpr std::string_view kPrefix = ".kitfold-", kSuffix = ".tmp";

fs::path unfinished_name(const fs::path& final_path) {
    static std::atomic<unsigned> count{0}; // the name is short: the final one may be as long as a name can be
    return final_path.parent_path() / fmt::format("{}{}-{}{}", kPrefix, ::getpid(), count++, kSuffix);
}

/// ".kitfold-123-4.tmp"
bool is_unfinished_name(std::string_view name) {
    if (!name.starts_with(kPrefix) || !name.ends_with(kSuffix)) return false;
    name.remove_prefix(kPrefix.size()), name.remove_suffix(kSuffix.size());
    return !name.empty() && name.find_first_not_of("0123456789-") == std::string_view::npos;
}

/// A writer holds a lock on its file, and a lock ends with its program, however that ends.
void remove_if_nobody_writes(const fs::path& path) {
    const int fd = ::open(path.c_str(), O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) return;
    struct stat status {};
    if (::fstat(fd, &status) == 0 && S_ISREG(status.st_mode) && ::flock(fd, LOCK_EX | LOCK_NB) == 0)
        ::unlink(path.c_str());
    ::close(fd);
}

/// What killed programs have left; once for each folder.
void remove_left_over(const fs::path& folder) {
    static std::mutex mutex;
    static std::set<fs::path> done;
    const std::lock_guard lock(mutex);
    if (!done.insert(folder).second) return;
    std::error_code ignored;
    for (const auto& entry : fs::directory_iterator(folder.empty() ? fs::path(".") : folder, ignored))
        if (is_unfinished_name(entry.path().filename().string())) remove_if_nobody_writes(entry.path());
}

/// Locks it. False when it was taken for a left-over between being made and being locked.
bool lock_is_ours(int fd) {
    (void)::flock(fd, LOCK_EX); // a file system without locks has no left-overs removed
    struct stat status {};
    return ::fstat(fd, &status) != 0 || status.st_nlink > 0;
}

constexpr mode_t kPermissions = 07777;

} // namespace

AtomicFile::AtomicFile(const fs::path& path) : final_(resolved(path)) {
    struct stat before {};
    const bool replaces = ::stat(final_.c_str(), &before) == 0;
    if (replaces && !S_ISREG(before.st_mode))
        throw bad_input(path.string() +
                        (S_ISDIR(before.st_mode) ? " is a folder" : " is not an ordinary file") +
                        "; name a file to write");
    remove_left_over(final_.parent_path());
    do {
        unfinished_ = unfinished_name(final_);
        slot_ = remember(unfinished_files, unfinished_);
        const mode_t mode = replaces ? before.st_mode & 0777 : 0666;
        descriptor_ = ::open(unfinished_.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, mode);
        const int number = errno;
        if (descriptor_ >= 0 && lock_is_ours(descriptor_)) break;
        if (descriptor_ >= 0)
            remove();
        else
            unfinished_files[slot_].store(nullptr);
        if (descriptor_ < 0 && number != EEXIST) fail(path, "can't be written", number);
    } while (true);
    if (replaces) take_mode(before.st_mode, before.st_uid, before.st_gid);
}

AtomicFile::~AtomicFile() { remove(); }

void AtomicFile::take_mode(unsigned mode, unsigned user, unsigned group) const noexcept {
    // only root gives files away; whom it is not given to, it stays ours
    const bool given = ::fchown(descriptor_, user, group) == 0;
    ::fchmod(descriptor_, mode & (given ? kPermissions : 0777));
}

void AtomicFile::take_mode_of(const fs::path& other) const noexcept {
    struct stat status {};
    if (::stat(other.c_str(), &status) == 0) take_mode(status.st_mode, status.st_uid, status.st_gid);
}

void AtomicFile::remove() noexcept {
    if (descriptor_ < 0) return;
    ::close(descriptor_);
    ::unlink(unfinished_.c_str());
    unfinished_files[slot_].store(nullptr);
    descriptor_ = -1;
}

void AtomicFile::reserve(std::int64_t bytes) {
    int result = 0;
    do result = ::fallocate(descriptor_, FALLOC_FL_KEEP_SIZE, 0, bytes);
    while (result != 0 && errno == EINTR);
    if (result == 0 || errno == EOPNOTSUPP || errno == ENOSYS) return;
    fail(final_, fmt::format("can't be written, {} MB are needed", (bytes + 999'999) / 1'000'000), errno);
}

void AtomicFile::write(std::string_view bytes) {
    while (!bytes.empty()) {
        const auto written = ::write(descriptor_, bytes.data(), bytes.size());
        if (written < 0 && errno == EINTR) continue;
        if (written <= 0) fail(final_, "can't be written", written < 0 ? errno : ENOSPC);
        bytes.remove_prefix(static_cast<std::size_t>(written));
    }
}

void AtomicFile::commit(Survives survives) {
    // some file systems keep no promise before fsync and say EINVAL when they have none to keep
    if (survives == Survives::power_cut && ::fsync(descriptor_) != 0 && errno != EINVAL)
        fail(final_, "can't be written", errno);
    if (::rename(unfinished_.c_str(), final_.c_str()) != 0) fail(final_, "can't be given its name", errno);
    unfinished_files[slot_].store(nullptr);
    ::close(descriptor_);
    descriptor_ = -1;
}

void write_whole_file(const fs::path& path, std::string_view bytes) {
    AtomicFile file(path);
    file.write(bytes);
    file.commit();
}

void write_whole_file(const fs::path& path, std::string_view bytes, const fs::path& mode_of) {
    AtomicFile file(path);
    file.take_mode_of(mode_of);
    file.write(bytes);
    file.commit();
}

MadeFolder::MadeFolder(const fs::path& path) {
    std::vector<fs::path> missing; // the lowest first
    std::error_code error;
    for (auto folder = path; !folder.empty() && !fs::exists(folder, error); folder = folder.parent_path()) {
        if (folder.has_filename()) missing.push_back(folder); // "a/" and "a" are one
        if (folder == folder.parent_path()) break;
    }
    for (auto folder = missing.rbegin(); folder != missing.rend(); ++folder)
        if (fs::create_directory(*folder, error))
            made_.push_back({*folder, remember(made_folders, *folder)});
        else if (error) {
            remove();
            throw io_failed(fmt::format("{}: can't be made: {}", path.string(), error.message()));
        }
}

MadeFolder::~MadeFolder() { remove(); }

void MadeFolder::remove() noexcept {
    for (auto folder = made_.rbegin(); folder != made_.rend(); ++folder) ::rmdir(folder->path.c_str());
    keep();
}

void MadeFolder::keep() noexcept {
    for (const auto& folder : made_) made_folders[folder.slot].store(nullptr);
    made_.clear();
}

void remove_unfinished_files_when_interrupted() noexcept {
    for (const int number : {SIGINT, SIGTERM, SIGHUP, SIGPIPE}) {
        struct sigaction before {};
        if (::sigaction(number, nullptr, &before) != 0 || before.sa_handler == SIG_IGN)
            continue; // e.g. nohup
        struct sigaction action {};
        action.sa_handler = interrupted;
        ::sigemptyset(&action.sa_mask);
        ::sigaction(number, &action, nullptr);
    }
    std::signal(SIGXFSZ, SIG_IGN);
}

} // namespace kitfold::offline
