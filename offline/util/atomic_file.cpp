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
#include <string>
#include <sys/stat.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

// What the signal handler removes. The texts are never freed, so that the handler may read one while another
// thread lets go of it.
std::array<std::atomic<const char*>, 256> unfinished_files{};
static_assert(std::atomic<const char*>::is_always_lock_free, "the signal handler reads these");

std::size_t remember(const fs::path& path) {
    static std::mutex mutex;
    static std::deque<std::string> texts;
    const std::lock_guard lock(mutex);
    for (std::size_t i = 0; i < unfinished_files.size(); ++i)
        if (unfinished_files[i].load() == nullptr) {
            unfinished_files[i].store(texts.emplace_back(path.string()).c_str());
            return i;
        }
    throw io_failed(path.string() + ": too many files are being written at once");
}

void forget(std::size_t slot) noexcept { unfinished_files[slot].store(nullptr); }

extern "C" void interrupted(int number) {
    for (const auto& file : unfinished_files)
        if (const char* path = file.load()) ::unlink(path);
    std::signal(number, SIG_DFL);
    std::raise(number); // delivered when the handler returns
}

[[noreturn]] void fail(const fs::path& path, const std::string& what, int number) {
    throw io_failed(path.string() + ": " + what + ": " + std::strerror(number));
}

fs::path resolved(const fs::path& path) {
    std::error_code ignored;
    if (fs::is_symlink(path, ignored)) return fs::weakly_canonical(path);
    return path;
}

fs::path unfinished_name(const fs::path& final_path) {
    static std::atomic<unsigned> count{0}; // the name is short: the final one may be as long as a name can be
    return final_path.parent_path() /
           (".kitfold-" + std::to_string(::getpid()) + "-" + std::to_string(count++) + ".tmp");
}

} // namespace

AtomicFile::AtomicFile(const fs::path& path) : final_(resolved(path)) {
    std::error_code ignored;
    const auto status = fs::status(final_, ignored);
    if (fs::exists(status) && !fs::is_regular_file(status))
        throw bad_input(path.string() +
                        (fs::is_directory(status) ? " is a folder" : " is not an ordinary file") +
                        "; name a file to write");
    do {
        unfinished_ = unfinished_name(final_);
        slot_ = remember(unfinished_);
        descriptor_ = ::open(unfinished_.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (descriptor_ >= 0) return;
        const int number = errno;
        forget(slot_);
        if (number != EEXIST) fail(path, "can't be written", number);
    } while (true);
}

AtomicFile::~AtomicFile() { remove(); }

void AtomicFile::remove() noexcept {
    if (descriptor_ < 0) return;
    ::close(descriptor_);
    ::unlink(unfinished_.c_str());
    forget(slot_);
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
    forget(slot_);
    ::close(descriptor_);
    descriptor_ = -1;
}

void write_whole_file(const fs::path& path, std::string_view bytes) {
    AtomicFile file(path);
    file.write(bytes);
    file.commit();
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
