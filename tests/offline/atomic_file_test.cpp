#include "offline/files.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>
#include <csignal>
#include <memory>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;

TEST_CASE("a file appears whole or not at all", "[files]") {
    Folder folder;
    const auto path = folder / "a.txt";
    {
        AtomicFile file(path);
        file.write("half");
        CHECK_FALSE(std::filesystem::exists(path));
    }
    CHECK(entries_in(folder) == 0);
    write_whole_file(path, "whole");
    CHECK(bytes_of_file(path) == "whole");
    {
        AtomicFile file(path);
        file.write("other");
    }
    CHECK(bytes_of_file(path) == "whole"); // what was there stays
    write_whole_file(path, "new");
    CHECK(bytes_of_file(path) == "new");
    CHECK(entries_in(folder) == 1);
}

TEST_CASE("a longest name, a link, a folder, a device, no folder", "[files]") {
    Folder folder;
    write_whole_file(folder / std::string(255, 'n'), "x");
    write_text(folder / "real.txt", "old");
    std::filesystem::create_symlink("real.txt", folder / "link.txt");
    write_whole_file(folder / "link.txt", "new");
    CHECK(std::filesystem::is_symlink(folder / "link.txt"));
    CHECK(bytes_of_file(folder / "real.txt") == "new");
    CHECK_THROWS_WITH(AtomicFile(folder.path()), Contains("is a folder"));
    CHECK_THROWS_WITH(AtomicFile("/dev/null"), Contains("is not an ordinary file"));
    CHECK_THROWS_WITH(AtomicFile(folder / "none/a.txt"), Contains("can't be written: No such file"));
}

TEST_CASE("many files at once, no more than there is room for", "[files]") {
    Folder folder;
    std::vector<std::unique_ptr<AtomicFile>> files;
    for (int i = 0; i < 256; ++i)
        files.push_back(std::make_unique<AtomicFile>(folder / ("f" + std::to_string(i))));
    CHECK_THROWS_WITH(AtomicFile(folder / "more"), Contains("too many files"));
    files.clear();
    CHECK(entries_in(folder) == 0);
}

TEST_CASE("an interrupt removes unfinished files and keeps finished ones", "[files]") {
    const int number = GENERATE(SIGINT, SIGTERM, SIGHUP);
    Folder folder;
    write_text(folder / "b.txt", "before");
    const pid_t child = ::fork();
    if (child == 0) {
        std::signal(number, SIG_DFL);
        remove_unfinished_files_when_interrupted();
        write_whole_file(folder / "done.txt", "done");
        AtomicFile first(folder / "a.txt"), second(folder / "b.txt");
        first.write("half");
        std::raise(number);
        ::_exit(0);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    CHECK((WIFSIGNALED(status) && WTERMSIG(status) == number));
    CHECK(entries_in(folder) == 2);
    CHECK(bytes_of_file(folder / "b.txt") == "before");
    CHECK(bytes_of_file(folder / "done.txt") == "done");
}

TEST_CASE("a link that leads to no file yet is followed", "[files]") {
    Folder folder;
    std::filesystem::create_directory(folder / "in");
    std::filesystem::create_symlink("in/second", folder / "link.txt");
    std::filesystem::create_symlink("real.txt", folder / "in/second");
    write_whole_file(folder / "link.txt", "new");
    CHECK(std::filesystem::is_symlink(folder / "link.txt"));
    CHECK(std::filesystem::is_symlink(folder / "in/second"));
    CHECK(bytes_of_file(folder / "in/real.txt") == "new");
    std::filesystem::create_symlink("round.txt", folder / "round.txt");
    CHECK_THROWS_WITH(AtomicFile(folder / "round.txt"), Contains("leads round in a circle"));
}

TEST_CASE("a file keeps the mode of the one it replaces", "[files]") {
    Folder folder;
    const auto mode = GENERATE(0600, 0444, 0755);
    write_text(folder / "a.txt", "old");
    REQUIRE(::chmod((folder / "a.txt").c_str(), static_cast<mode_t>(mode)) == 0);
    write_whole_file(folder / "a.txt", "new");
    struct stat status {};
    REQUIRE(::stat((folder / "a.txt").c_str(), &status) == 0);
    CHECK((status.st_mode & 07777) == static_cast<mode_t>(mode));
    CHECK(bytes_of_file(folder / "a.txt") == "new");
}

TEST_CASE("what a killed program has left goes with the next file in that folder", "[files]") {
    Folder folder;
    int ready[2];
    REQUIRE(::pipe(ready) == 0);
    const auto half_a_file = [&] {
        const pid_t child = ::fork();
        if (child == 0) {
            AtomicFile file(folder / "a.txt");
            file.write("half");
            (void)!::write(ready[1], "x", 1);
            ::pause();
            ::_exit(0);
        }
        char byte = 0;
        REQUIRE(::read(ready[0], &byte, 1) == 1);
        return child;
    };
    const pid_t killed = half_a_file(), alive = half_a_file();
    ::kill(killed, SIGKILL);
    ::waitpid(killed, nullptr, 0);
    write_text(folder / ".kitfold-notes.tmp", "somebody's own"); // no such name
    CHECK(entries_in(folder) == 3);
    write_whole_file(folder / "b.txt", "whole");
    CHECK(entries_in(folder) == 3); // b.txt, the notes, and what is still being written
    CHECK(std::filesystem::exists(folder / ".kitfold-notes.tmp"));
    ::kill(alive, SIGKILL);
    ::waitpid(alive, nullptr, 0);
    ::close(ready[0]), ::close(ready[1]);
}

TEST_CASE("a folder that was made for nothing goes again, with those above it", "[files]") {
    Folder folder;
    {
        const MadeFolder made(folder / "a/b/c/");
        CHECK(std::filesystem::is_directory(folder / "a/b/c"));
    }
    CHECK(entries_in(folder) == 0);
    {
        const MadeFolder made(folder / "a/b");
        write_text(folder / "a/somebody.txt", "");
    }
    CHECK(entries_in(folder) == 2); // a and what is in it
    {
        MadeFolder made(folder / "a/b");
        made.keep();
    }
    CHECK(entries_in(folder) == 3);
    CHECK_THROWS_WITH(MadeFolder(folder / "a/somebody.txt/c"), Contains("can't be made"));
}

TEST_CASE("an interrupt removes the folders made for its files", "[files]") {
    Folder folder;
    const pid_t child = ::fork();
    if (child == 0) {
        std::signal(SIGTERM, SIG_DFL);
        remove_unfinished_files_when_interrupted();
        const MadeFolder made(folder / "a/b/c");
        AtomicFile file(folder / "a/b/c/d.txt");
        file.write("half");
        std::raise(SIGTERM);
        ::_exit(0);
    }
    int status = 0;
    REQUIRE(::waitpid(child, &status, 0) == child);
    CHECK((WIFSIGNALED(status) && WTERMSIG(status) == SIGTERM));
    CHECK(entries_in(folder) == 0);
}
